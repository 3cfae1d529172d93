"""What the InfluxDB store keeps beside the database, in a small SQLite file: rejects, and roll-ups to be made.

A mark (table `dirty`) has a number that grows whenever the hour is marked again, so a roll-up
takes off only the mark that it saw: what came meanwhile stays marked.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Final, NamedTuple

from ingest.errors import StoreUnavailable
from ingest.reading import Reject
from ingest.store import rejects as refused_messages
from ingest.store.sqlitefile import SqliteFile

_STEPS: Final = (
    f"""
{refused_messages.SCHEMA}
CREATE TABLE dirty (
    site TEXT NOT NULL, sensor TEXT NOT NULL, hour INTEGER NOT NULL, number INTEGER NOT NULL,
    PRIMARY KEY (site, sensor, hour)
) WITHOUT ROWID;
CREATE TABLE retention (id INTEGER PRIMARY KEY CHECK (id = 1), before_hour INTEGER NOT NULL);
""",
)
_MARK: Final = """
INSERT INTO dirty VALUES (?, ?, ?, 1) ON CONFLICT DO UPDATE SET number = number + 1
"""
_RAISE_RETENTION: Final = """
INSERT INTO retention VALUES (1, ?) ON CONFLICT DO UPDATE SET before_hour = max(before_hour, excluded.before_hour)
"""


class Mark(NamedTuple):
    """An hour of a sensor whose roll-up is not up to date. hour counts from 1970."""

    site: str
    sensor: str
    hour: int
    number: int


class InfluxNotes:
    """The notes file. A reader on another machine has none, and then knows no marks and no rejects."""

    def __init__(self, file: Path, *, writer: bool) -> None:
        self._path = file
        self._file: SqliteFile | None = SqliteFile(file, _STEPS, writer=True) if writer else None

    def add(self, hours: Iterable[tuple[str, str, int]], rejects: Sequence[Reject]) -> None:
        """Mark hours (site, sensor, hour since 1970) and keep rejects: one commit, on disk when it returns."""
        with self._opened().transaction() as connection:
            connection.executemany(_MARK, hours)
            refused_messages.insert(connection, rejects)

    def due(self, before_hour: int, limit: int) -> list[Mark]:
        """Marks of hours before an hour, those of a sensor together."""
        with self._opened().reading() as connection:
            rows = connection.execute(
                "SELECT * FROM dirty WHERE hour < ? ORDER BY site, sensor, hour LIMIT ?", (before_hour, limit)
            )
            return [Mark(*row) for row in rows]

    def done(self, marks: Iterable[Mark]) -> None:
        """Take off marks, but not those that were made again meanwhile."""
        with self._opened().transaction() as connection:
            connection.executemany("DELETE FROM dirty WHERE site = ? AND sensor = ? AND hour = ? AND number = ?", marks)

    def marked(self, site: str, sensor: str, first: int, end: int) -> list[int]:
        """The marked hours of a sensor in `[first, end)`, in order."""
        if (file := self._there()) is None:
            return []
        with file.reading() as connection:
            rows = connection.execute(
                "SELECT hour FROM dirty WHERE site = ? AND sensor = ? AND hour >= ? AND hour < ? ORDER BY hour",
                (site, sensor, first, end),
            )
            return [hour for (hour,) in rows]

    def raise_retention(self, before_hour: int) -> None:
        """Remember that readings of hours before this one were deleted."""
        with self._opened().transaction() as connection:
            connection.execute(_RAISE_RETENTION, (before_hour,))

    def kept_from(self) -> int:
        """The first hour of which readings were never deleted."""
        if (file := self._there()) is None:
            return -(2**62)
        with file.reading() as connection:
            found = connection.execute("SELECT before_hour FROM retention").fetchone()
        return -(2**62) if found is None else int(found[0])

    def rejects(self, limit: int, before: tuple[int, int] | None = None) -> list[Reject]:
        """The newest rejects before a mark, newest first."""
        if (file := self._there()) is None:
            return []
        with file.reading() as connection:
            return refused_messages.newest(connection, limit, before)

    def count_rejects(self) -> int:
        """How many are kept."""
        if (file := self._there()) is None:
            return 0
        with file.reading() as connection:
            return refused_messages.count(connection)

    def ping(self) -> None:
        """Raise StoreUnavailable or StoreCorrupt if the file cannot be used."""
        if self._file is not None:
            self._file.ping()

    def close(self) -> None:
        """Let go of the file."""
        if self._file is not None:
            self._file.close()

    def _opened(self) -> SqliteFile:
        file = self._there()
        if file is None:
            raise StoreUnavailable(f"{self._path} is not there: only the process that writes may do this")
        return file

    def _there(self) -> SqliteFile | None:
        """The file, as soon as the collector has made it on this machine."""
        if self._file is None:
            try:
                self._file = SqliteFile(self._path, _STEPS, writer=False)
            except StoreUnavailable:
                return None
        return self._file
