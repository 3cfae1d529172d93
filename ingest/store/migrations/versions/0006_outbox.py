"""Notifications of several kinds: escalations and digests beside alarms; dropped and bundled ones."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"

KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
COLUMNS = "id, channel, transition, tries, due_ms, sent_ms"


def upgrade() -> None:
    op.rename_table("notification", "notification_before")
    op.drop_index("notification_due", "notification_before")
    op.create_table(
        "notification",
        sa.Column("id", KEY, primary_key=True),
        sa.Column("kind", sa.String(20), nullable=False),
        sa.Column("channel", sa.String(100), nullable=False),
        sa.Column("transition", KEY, sa.ForeignKey("transition.id")),
        sa.Column("day", sa.String(10), nullable=False),
        sa.Column("tries", sa.Integer, nullable=False),
        sa.Column("due_ms", sa.BigInteger, nullable=False),
        sa.Column("bundle", sa.BigInteger),
        sa.Column("sent_ms", sa.BigInteger),
        sa.Column("dropped", sa.String(120), nullable=False),
    )
    op.execute(
        f"INSERT INTO notification ({COLUMNS}, kind, day, dropped) "  # noqa: S608 - no value comes from outside
        f"SELECT {COLUMNS}, 'alarm', '', '' FROM notification_before"
    )
    op.drop_table("notification_before")
    with op.batch_alter_table("notification") as table:
        table.create_unique_constraint("notification_once", ["transition", "channel", "kind"])
    filled = sa.text("day <> ''")
    op.create_index(
        "digest_once", "notification", ["channel", "day"], unique=True, sqlite_where=filled, postgresql_where=filled
    )
    op.create_index("notification_due", "notification", ["channel", "sent_ms", "due_ms"])
    if op.get_bind().dialect.name == "postgresql":  # ids were copied, and its counter does not know
        op.execute("SELECT setval(pg_get_serial_sequence('notification', 'id'), (SELECT MAX(id) FROM notification))")
