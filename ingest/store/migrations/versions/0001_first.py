"""Forecasts, alarm transitions, notifications, the site log."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    op.create_table(
        "forecast",
        sa.Column("id", KEY, primary_key=True),
        sa.Column("site", sa.String(40), nullable=False),
        sa.Column("issued_ms", sa.BigInteger, nullable=False),
        sa.Column("document", sa.LargeBinary, nullable=False),
        sa.UniqueConstraint("site", "issued_ms", name="forecast_site_issued"),
    )
    op.create_table(
        "transition",
        sa.Column("id", KEY, primary_key=True),
        sa.Column("site", sa.String(40), nullable=False),
        sa.Column("alarm", sa.String(100), nullable=False),
        sa.Column("time_ms", sa.BigInteger, nullable=False),
        sa.Column("old", sa.String(40), nullable=False),
        sa.Column("new", sa.String(40), nullable=False),
        sa.Column("reason", sa.Text, nullable=False),
    )
    op.create_index("transition_site_alarm", "transition", ["site", "alarm", "id"])
    op.create_table(
        "notification",
        sa.Column("id", KEY, primary_key=True),
        sa.Column("transition", KEY, sa.ForeignKey("transition.id"), nullable=False),
        sa.Column("channel", sa.String(100), nullable=False),
        sa.Column("tries", sa.Integer, nullable=False),
        sa.Column("due_ms", sa.BigInteger, nullable=False),
        sa.Column("sent_ms", sa.BigInteger),
        sa.UniqueConstraint("transition", "channel", name="notification_once"),
    )
    op.create_index("notification_due", "notification", ["sent_ms", "due_ms"])
    op.create_table(
        "site_log",
        sa.Column("id", KEY, primary_key=True),
        sa.Column("site", sa.String(40), nullable=False),
        sa.Column("time_ms", sa.BigInteger, nullable=False),
        sa.Column("kind", sa.String(40), nullable=False),
        sa.Column("part", sa.String(40), nullable=False),
        sa.Column("who", sa.String(80), nullable=False),
        sa.Column("note", sa.Text, nullable=False),
    )
    op.create_index("site_log_site_time", "site_log", ["site", "time_ms"])
