"""Alarms are acknowledged, shelved and muted; transitions keep who, the sentence's figures and the readings."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"

KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    with op.batch_alter_table("transition") as table:
        table.add_column(sa.Column("said", sa.Text))
        table.add_column(sa.Column("who", sa.String(80), nullable=False, server_default=""))
        table.add_column(sa.Column("evidence", sa.Text, nullable=False, server_default="[]"))
        table.add_column(sa.Column("muted", sa.String(120), nullable=False, server_default=""))
    # Until now there were two states, and nobody could acknowledge anything.
    op.execute("UPDATE transition SET old = 'unacknowledged' WHERE old = 'active'")
    op.execute("UPDATE transition SET new = 'unacknowledged' WHERE new = 'active'")
    op.create_table(
        "alarm_action",
        sa.Column("id", KEY, primary_key=True),
        sa.Column("site", sa.String(40), nullable=False),
        sa.Column("alarm", sa.String(100), nullable=False),
        sa.Column("time_ms", sa.BigInteger, nullable=False),
        sa.Column("kind", sa.String(40), nullable=False),
        sa.Column("who", sa.String(80), nullable=False),
        sa.Column("why", sa.Text, nullable=False),
        sa.Column("until_ms", sa.BigInteger),
        sa.Column("months", sa.String(40), nullable=False),
    )
    op.create_index("alarm_action_site_alarm", "alarm_action", ["site", "alarm", "id"])
