"""Records: forecasts, alarm transitions, notifications, and what people wrote down.

Few and precious, unlike readings: SQLAlchemy Core over SQLite or PostgreSQL, one schema,
migrated by Alembic. Everything is appended; a notification alone changes, from due to sent or dropped.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Final, NamedTuple

import sqlalchemy as sa

from ingest.private import private_file
from ingest.store.database import durable, translated
from ingest.store.notifications import Notifications, alarm_row
from ingest.store.schema import alarm_action, forecast, lock, migrate, notification, site_log, transition
from ingest.store.transitions import (
    AlarmAction,
    Evidence,
    Transition,
    action_of,
    action_row,
    transition_of,
    transition_row,
)

__all__ = ["AlarmAction", "Evidence", "LogEntry", "Records", "Transition"]

#: State of an alarm of which nothing is on record.
NORMAL: Final = "normal"


class LogEntry(NamedTuple):
    """What somebody did on site.

    kind  `first-flush-emptied`, `backup-opened`, `backup-closed`, `tank-filled` (water brought from
          elsewhere), `tank-drained`, `upkeep`, `measured` (by hand, beside a sensor), `note`
    part  what it was done to: an id of the site file; of a sensor `DEVICE/NAME`
    value what was measured, in the unit kept inside
    """

    site: str
    time_ms: int
    kind: str
    part: str
    who: str
    note: str = ""
    value: float | None = None


class Records:
    """The records store at an SQLAlchemy URL. Safe to share between threads.

    notifications  who is told of what, and what became of it
    Every method raises StoreUnavailable while the database cannot be used.
    """

    def __init__(self, url: str) -> None:
        self._engine = sa.create_engine(url, pool_pre_ping=True)
        if self._engine.dialect.name == "sqlite":
            if self._engine.url.database:
                private_file(Path(self._engine.url.database))
            sa.event.listen(self._engine, "connect", durable)
        with translated():
            migrate(self._engine)
        self.notifications = Notifications(self._engine)

    @contextmanager
    def transaction(self) -> Iterator[sa.Connection]:
        """A connection whose work is one commit, for a module that keeps tables of its own here."""
        with translated(), self._engine.begin() as connection:
            yield connection

    def put_forecast(self, site: str, issued_ms: int, document: bytes) -> None:
        """Keep one issued forecast; issuing it twice at one instant keeps the first."""
        self.put_forecasts([(site, issued_ms, document)])

    def put_forecasts(self, issued: Sequence[tuple[str, int, bytes]]) -> None:
        """Keep forecasts in one commit: site, when issued, document. Of two of one instant the first stays."""
        rows = [dict(zip(("site", "issued_ms", "document"), entry, strict=True)) for entry in issued]
        with translated(), self._engine.begin() as connection:
            sites, instants = {entry[0] for entry in issued}, {entry[1] for entry in issued}
            known = sa.select(forecast.c.site, forecast.c.issued_ms).where(
                forecast.c.site.in_(sites), forecast.c.issued_ms.in_(instants)
            )
            there = {tuple(row) for row in connection.execute(known)}
            new = [row for row in rows if (row["site"], row["issued_ms"]) not in there]
            if new:
                connection.execute(sa.insert(forecast), new)

    def latest_forecast(self, site: str) -> bytes | None:
        """The document of the newest forecast of a site."""
        newest = sa.select(forecast.c.document).where(forecast.c.site == site)
        with translated(), self._engine.connect() as connection:
            found = connection.execute(newest.order_by(forecast.c.issued_ms.desc()).limit(1)).scalar()
        return None if found is None else bytes(found)

    def latest_forecast_ms(self, site: str) -> int | None:
        """When the newest forecast of a site was issued. [UTC ms]"""
        newest = sa.select(sa.func.max(forecast.c.issued_ms)).where(forecast.c.site == site)
        with translated(), self._engine.connect() as connection:
            return connection.execute(newest).scalar()

    def forecast_times(self, site: str, start_ms: int, end_ms: int) -> list[int]:
        """When forecasts were issued in `[start_ms, end_ms)`, oldest first: cheap, unlike the documents."""
        issued = forecast.c.issued_ms
        wanted = sa.select(issued).where(forecast.c.site == site, issued >= start_ms, issued < end_ms)
        with translated(), self._engine.connect() as connection:
            return list(connection.execute(wanted.order_by(issued)).scalars())

    def forecasts(self, site: str, start_ms: int, end_ms: int) -> list[bytes]:
        """The documents issued in `[start_ms, end_ms)`, oldest first; of the past, those that `thin` has left."""
        issued = forecast.c.issued_ms
        wanted = sa.select(forecast.c.document).where(forecast.c.site == site, issued >= start_ms, issued < end_ms)
        with translated(), self._engine.connect() as connection:
            return [bytes(row.document) for row in connection.execute(wanted.order_by(issued))]

    def append_transitions(self, transitions: Sequence[Transition], channels: Sequence[str]) -> list[Transition]:
        """Append transitions and, in the same commit, one notification for each and each channel, unless it is muted.

        A transition whose `old` is not the alarm's state any more is left out: somebody was faster,
        an acknowledgement for one, and what is due now has to be judged anew. Returns what was appended.
        """
        appended = []
        with translated(), self._engine.begin() as connection:
            lock(connection)
            for entry in transitions:
                if _state(connection, entry.site, entry.alarm) != entry.old:
                    continue
                inserted = sa.insert(transition).values(transition_row(entry)).returning(transition.c.id)
                key = connection.execute(inserted).scalar_one()
                appended.append(entry._replace(id=key))
                told = () if entry.muted else channels
                due = [alarm_row(key, name, entry.time_ms) for name in told]
                if due:
                    connection.execute(sa.insert(notification), due)
        return appended

    def transitions(
        self, site: str | None = None, *, before_id: int | None = None, limit: int = 100
    ) -> list[Transition]:
        """Newest first; `before_id` continues a page."""
        wanted = sa.select(transition).order_by(transition.c.id.desc()).limit(limit)
        if site is not None:
            wanted = wanted.where(transition.c.site == site)
        if before_id is not None:
            wanted = wanted.where(transition.c.id < before_id)
        with translated(), self._engine.connect() as connection:
            return [transition_of(row) for row in connection.execute(wanted).mappings()]

    def last_transitions(
        self, site: str, *, out_of: Collection[str] | None = None, into: Collection[str] | None = None
    ) -> dict[str, Transition]:
        """The newest transition of each alarm of a site, by alarm; of those between such states, if given."""
        c = transition.c
        newest = sa.select(sa.func.max(c.id)).where(c.site == site)
        if out_of is not None:
            newest = newest.where(c.old.in_(out_of))
        if into is not None:
            newest = newest.where(c.new.in_(into))
        newest = newest.group_by(c.alarm)
        with translated(), self._engine.connect() as connection:
            rows = connection.execute(sa.select(transition).where(transition.c.id.in_(newest))).mappings()
            return {row["alarm"]: transition_of(row) for row in rows}

    def transitions_since(self, site: str, start_ms: int) -> list[Transition]:
        """The transitions of a site from an instant on, oldest first."""
        wanted = sa.select(transition).where(transition.c.site == site, transition.c.time_ms >= start_ms)
        with translated(), self._engine.connect() as connection:
            return [transition_of(row) for row in connection.execute(wanted.order_by(transition.c.id)).mappings()]

    def append_alarm_action(self, entry: AlarmAction) -> None:
        """Keep what somebody decided about an alarm."""
        with translated(), self._engine.begin() as connection:
            connection.execute(sa.insert(alarm_action).values(action_row(entry)))

    def last_alarm_actions(self, site: str) -> list[AlarmAction]:
        """The newest action of each kind on each alarm of a site, oldest first."""
        group = (alarm_action.c.alarm, alarm_action.c.kind)
        newest = sa.select(sa.func.max(alarm_action.c.id)).where(alarm_action.c.site == site).group_by(*group)
        wanted = sa.select(alarm_action).where(alarm_action.c.id.in_(newest)).order_by(alarm_action.c.id)
        with translated(), self._engine.connect() as connection:
            return [action_of(row) for row in connection.execute(wanted).mappings()]

    def alarm_actions(
        self, site: str, alarm: str | None = None, *, before_id: int | None = None, limit: int = 100
    ) -> list[AlarmAction]:
        """What was decided about the alarms of a site, or one of them, newest first; `before_id` continues a page."""
        wanted = sa.select(alarm_action).where(alarm_action.c.site == site)
        if alarm is not None:
            wanted = wanted.where(alarm_action.c.alarm == alarm)
        if before_id is not None:
            wanted = wanted.where(alarm_action.c.id < before_id)
        with translated(), self._engine.connect() as connection:
            rows = connection.execute(wanted.order_by(alarm_action.c.id.desc()).limit(limit)).mappings()
            return [action_of(row) for row in rows]

    def append_log(self, entry: LogEntry) -> None:
        """Keep what somebody did on site."""
        with translated(), self._engine.begin() as connection:
            connection.execute(sa.insert(site_log).values(entry._asdict()))

    def log(self, site: str | None, start_ms: int, end_ms: int) -> list[LogEntry]:
        """Entries in `[start_ms, end_ms)`, oldest first; None: of all sites."""
        wanted = sa.select(*[site_log.c[name] for name in LogEntry._fields]).where(
            site_log.c.time_ms >= start_ms, site_log.c.time_ms < end_ms
        )
        if site is not None:
            wanted = wanted.where(site_log.c.site == site)
        with translated(), self._engine.connect() as connection:
            return [LogEntry(*row) for row in connection.execute(wanted.order_by(site_log.c.time_ms))]

    def last_log(self, site: str) -> dict[tuple[str, str], LogEntry]:
        """The newest entry of each kind and part of a site."""
        c = site_log.c
        grouped = sa.select(c.kind, c.part, sa.func.max(c.time_ms).label("time_ms")).where(c.site == site)
        newest = grouped.group_by(c.kind, c.part).subquery()
        same = sa.and_(c.kind == newest.c.kind, c.part == newest.c.part, c.time_ms == newest.c.time_ms)
        wanted = sa.select(*[c[name] for name in LogEntry._fields]).join(newest, same)
        with translated(), self._engine.connect() as connection:
            entries = [LogEntry(*row) for row in connection.execute(wanted.where(c.site == site).order_by(c.id))]
        return {(entry.kind, entry.part): entry for entry in entries}

    def ping(self) -> None:
        """Raise StoreUnavailable if the database cannot be used."""
        with translated(), self._engine.connect() as connection:
            connection.execute(sa.select(1))

    def close(self) -> None:
        """Let go of the database."""
        self._engine.dispose()


def _state(connection: sa.Connection, site: str, alarm: str) -> str:
    """The state in which the last transition left an alarm."""
    c = transition.c
    newest = sa.select(c.new).where(c.site == site, c.alarm == alarm).order_by(c.id.desc()).limit(1)
    return connection.execute(newest).scalar() or NORMAL
