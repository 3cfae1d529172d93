"""The tables of the records store, and their migration."""

from __future__ import annotations

from pathlib import Path

import sqlalchemy as sa

metadata = sa.MetaData()
_MIGRATIONS = Path(__file__).parent / "migrations"

#: Rowids on SQLite must be INTEGER; PostgreSQL gets 64 bits.
Key = sa.BigInteger().with_variant(sa.Integer(), "sqlite")

forecast = sa.Table(
    "forecast",
    metadata,
    sa.Column("id", Key, primary_key=True),
    sa.Column("site", sa.String(40), nullable=False),
    sa.Column("issued_ms", sa.BigInteger, nullable=False),
    sa.Column("document", sa.LargeBinary, nullable=False),
    sa.UniqueConstraint("site", "issued_ms", name="forecast_site_issued"),
)

transition = sa.Table(
    "transition",
    metadata,
    sa.Column("id", Key, primary_key=True),
    sa.Column("site", sa.String(40), nullable=False),
    sa.Column("alarm", sa.String(100), nullable=False),
    sa.Column("time_ms", sa.BigInteger, nullable=False),
    sa.Column("old", sa.String(40), nullable=False),
    sa.Column("new", sa.String(40), nullable=False),
    sa.Column("reason", sa.Text, nullable=False),
    sa.Column("said", sa.Text),
    sa.Column("who", sa.String(80), nullable=False),
    sa.Column("evidence", sa.Text, nullable=False),
    sa.Column("muted", sa.String(120), nullable=False),
    sa.Index("transition_site_alarm", "site", "alarm", "id"),
)

alarm_action = sa.Table(
    "alarm_action",
    metadata,
    sa.Column("id", Key, primary_key=True),
    sa.Column("site", sa.String(40), nullable=False),
    sa.Column("alarm", sa.String(100), nullable=False),
    sa.Column("time_ms", sa.BigInteger, nullable=False),
    sa.Column("kind", sa.String(40), nullable=False),
    sa.Column("who", sa.String(80), nullable=False),
    sa.Column("why", sa.Text, nullable=False),
    sa.Column("until_ms", sa.BigInteger),
    sa.Column("months", sa.String(40), nullable=False),
    sa.Index("alarm_action_site_alarm", "site", "alarm", "id"),
)

notification = sa.Table(
    "notification",
    metadata,
    sa.Column("id", Key, primary_key=True),
    sa.Column("kind", sa.String(20), nullable=False),
    sa.Column("channel", sa.String(100), nullable=False),
    sa.Column("transition", Key, sa.ForeignKey("transition.id")),
    sa.Column("day", sa.String(10), nullable=False),
    sa.Column("tries", sa.Integer, nullable=False),
    sa.Column("due_ms", sa.BigInteger, nullable=False),
    sa.Column("bundle", sa.BigInteger),
    sa.Column("sent_ms", sa.BigInteger),
    sa.Column("dropped", sa.String(120), nullable=False),
    # A digest is about no transition, and so bound by the second alone.
    sa.UniqueConstraint("transition", "channel", "kind", name="notification_once"),
    sa.Index(
        "digest_once", "channel", "day", unique=True, sqlite_where=sa.text("day <> ''"),
        postgresql_where=sa.text("day <> ''"),
    ),
    sa.Index("notification_due", "channel", "sent_ms", "due_ms"),
)  # fmt: skip

site_log = sa.Table(
    "site_log",
    metadata,
    sa.Column("id", Key, primary_key=True),
    sa.Column("site", sa.String(40), nullable=False),
    sa.Column("time_ms", sa.BigInteger, nullable=False),
    sa.Column("kind", sa.String(40), nullable=False),
    sa.Column("part", sa.String(100), nullable=False),
    sa.Column("who", sa.String(80), nullable=False),
    sa.Column("note", sa.Text, nullable=False),
    sa.Column("value", sa.Float),
    sa.Index("site_log_site_time", "site", "time_ms"),
)

score = sa.Table(
    "score",
    metadata,
    sa.Column("id", Key, primary_key=True),
    sa.Column("site", sa.String(40), nullable=False),
    sa.Column("issued_ms", sa.BigInteger, nullable=False),
    sa.Column("lead_d", sa.Integer, nullable=False),
    sa.Column("state", sa.String(20), nullable=False),
    sa.Column("due_ms", sa.BigInteger, nullable=False),
    sa.Column("document", sa.LargeBinary, nullable=False),
    sa.UniqueConstraint("site", "issued_ms", "lead_d", name="score_once"),
    sa.Index("score_due", "state", "due_ms"),
)

outlook = sa.Table(
    "outlook",
    metadata,
    sa.Column("site", sa.String(40), primary_key=True),
    sa.Column("issued_ms", sa.BigInteger, nullable=False),
    sa.Column("received_ms", sa.BigInteger, nullable=False),
    sa.Column("document", sa.LargeBinary, nullable=False),
)


#: One at a time: the others wait. Several processes may start at once; the first migrates.
_LOCK = {"sqlite": "BEGIN IMMEDIATE", "postgresql": "SELECT pg_advisory_xact_lock(7505)"}


def lock(connection: sa.Connection) -> None:
    """Let nobody else write until this transaction ends, so that what was read stays true. First in a transaction."""
    connection.exec_driver_sql(_LOCK[connection.dialect.name])


def migrate(engine: sa.Engine) -> None:
    """Bring the database up to this schema, from nothing or from any older one."""
    with engine.begin() as connection:
        lock(connection)
        if _revision(connection) == max(file.name[:4] for file in (_MIGRATIONS / "versions").glob("[0-9]*.py")):
            return
        from alembic import command  # noqa: PLC0415 - 10 MB in every process, for the few starts that need it
        from alembic.config import Config  # noqa: PLC0415

        config = Config()
        config.set_main_option("script_location", str(_MIGRATIONS))
        config.set_main_option("path_separator", "os")
        config.attributes["connection"] = connection
        command.upgrade(config, "head")


def _revision(connection: sa.Connection) -> str | None:
    """What the database was last brought up to; None: it is empty."""
    if not sa.inspect(connection).has_table("alembic_version"):
        return None
    found = connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar()
    return None if found is None else str(found)
