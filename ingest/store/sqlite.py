"""Readings in SQLite: one file, one writer, any number of readers.

Safe to share between threads and processes (see sqlitefile.py). The row of a reading is keyed
(site, time, sensor), so a batch lands on neighbouring pages and a redelivered one changes
nothing: the first wins.
"""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from ingest.instants import HOUR_MS
from ingest.reading import SUSPECT, Reading, Reject
from ingest.store import hourly
from ingest.store import rejects as refused_messages
from ingest.store.readings import Aggregate, Bucket, Rollup, WriteResult
from ingest.store.sqlitefile import SqliteFile

_SCHEMA: Final = f"""
CREATE TABLE site (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE);
CREATE TABLE sensor (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE);
CREATE TABLE reading (
    site INTEGER NOT NULL, time INTEGER NOT NULL, sensor INTEGER NOT NULL,
    value REAL NOT NULL, flags INTEGER NOT NULL,
    PRIMARY KEY (site, time, sensor)
) WITHOUT ROWID;
CREATE TABLE latest (
    site INTEGER NOT NULL, sensor INTEGER NOT NULL,
    time INTEGER NOT NULL, value REAL NOT NULL, flags INTEGER NOT NULL,
    PRIMARY KEY (site, sensor)
) WITHOUT ROWID;
{refused_messages.SCHEMA}
"""
#: Schema 1 and 2. Only ever appended to: old files are brought up step by step.
STEPS: Final = (_SCHEMA, hourly.SCHEMA)
_INSERT: Final = "INSERT INTO reading VALUES (?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"
#: Taken from the stored rows, so that a redelivered, differing copy cannot get in here, nor hide an older one.
_UPSERT_LATEST: Final = f"""
INSERT INTO latest SELECT * FROM (
    SELECT site, sensor, time, value, flags FROM reading
    WHERE site = ? AND time <= ? AND sensor = ? AND flags & {SUSPECT} = 0 ORDER BY time DESC LIMIT 1
) WHERE true
ON CONFLICT DO UPDATE SET time = excluded.time, value = excluded.value, flags = excluded.flags
WHERE excluded.time > latest.time
"""  # noqa: S608 - a constant
_LATEST: Final = """
SELECT sensor.id, sensor.name, latest.time, latest.value, latest.flags
FROM latest JOIN sensor ON sensor.id = latest.sensor WHERE latest.site = ?
"""
_NEWEST_UNTIL: Final = f"""
SELECT time, value, flags FROM reading WHERE site = ? AND time <= ? AND sensor = ? AND flags & {SUSPECT} = 0
ORDER BY time DESC LIMIT 1
"""  # noqa: S608 - a constant
_RANGE: Final = """
SELECT time, value, flags FROM reading
WHERE site = ? AND time >= ? AND time < ? AND sensor = ? AND flags & ? = 0 ORDER BY time LIMIT ?
"""
#: For first and last: beside a lone min() or max(), SQLite takes the other columns from its row.
_AGGREGATES: Final[dict[Aggregate, str]] = {
    "mean": "avg(value), count(*)",
    "min": "min(value), count(*)",
    "max": "max(value), count(*)",
    "count": "count(*), count(*)",
    "first": "value, count(*), min(time)",
    "last": "value, count(*), max(time)",
}
_SERIES: Final = """
SELECT site.name, sensor.name FROM site CROSS JOIN sensor
WHERE EXISTS (SELECT 1 FROM hourly WHERE hourly.site = site.id AND hourly.sensor = sensor.id)
    OR EXISTS (SELECT 1 FROM latest WHERE latest.site = site.id AND latest.sensor = sensor.id)
    OR EXISTS (SELECT 1 FROM reading WHERE reading.site = site.id AND reading.sensor = sensor.id)
ORDER BY 1, 2
"""


class SqliteStore:
    """A `RollupStore` in one SQLite file.

    file         made with its folder if absent and `writer`
    writer       whether this process writes; it then checks the file once, at opening
    max_rejects  only so many are kept, the newest

    Raises StoreUnavailable or StoreCorrupt, at opening as later.
    """

    def __init__(self, file: Path, *, writer: bool = True, max_rejects: int = refused_messages.MAX_REJECTS) -> None:
        self._max_rejects = max_rejects
        self._site_ids: dict[str, int] = {}
        self._sensor_ids: dict[str, int] = {}
        self._file = SqliteFile(file, STEPS, writer=writer)

    def write(self, readings: Sequence[Reading], rejects: Sequence[Reject] = ()) -> WriteResult:
        """Store everything in one commit, and return only once it is on disk."""
        good = [reading for reading in readings if math.isfinite(reading.value)]
        refused = [refused_messages.no_value(reading) for reading in readings if not math.isfinite(reading.value)]
        try:
            with self._file.transaction() as connection:
                self._insert(connection, good)
                refused_messages.insert(connection, [*rejects, *refused], self._max_rejects)
        except BaseException:
            self._site_ids.clear()  # they may never have been committed
            self._sensor_ids.clear()
            raise
        return WriteResult(len(good), refused)

    def latest(self, site: str, until_ms: int) -> dict[str, Reading]:
        """The newest usable reading of each sensor, not dated after `until_ms`, by sensor."""
        found: dict[str, Reading] = {}
        with self._file.reading() as connection:
            site_id = _id_of(connection, "site", site)
            for sensor_id, sensor, time_ms, value, flags in connection.execute(_LATEST, (site_id,)).fetchall():
                row = (time_ms, value, flags)
                if time_ms > until_ms:
                    row = connection.execute(_NEWEST_UNTIL, (site_id, until_ms, sensor_id)).fetchone()
                if row is not None:
                    found[sensor] = Reading(site, row[0], sensor, row[1], row[2])
        return found

    def range(
        self, site: str, sensor: str, start_ms: int, end_ms: int, *, limit: int = 100_000, usable: bool = True
    ) -> list[Reading]:
        """Readings in `[start_ms, end_ms)`, oldest first; with usable=False the suspect ones too."""
        with self._file.reading() as connection:
            key = (_id_of(connection, "site", site), start_ms, end_ms, _id_of(connection, "sensor", sensor))
            rows = connection.execute(_RANGE, (*key, SUSPECT if usable else 0, limit))
            return [Reading(site, time_ms, sensor, value, flags) for time_ms, value, flags in rows]

    def aggregate(
        self, site: str, sensor: str, start_ms: int, end_ms: int, every_ms: int, fn: Aggregate
    ) -> list[Bucket]:
        """Usable readings by interval, aligned to the epoch. An interval without readings is absent, not zero."""
        statement = (
            f"SELECT time - time % ?, {_AGGREGATES[fn]} FROM reading "  # noqa: S608 - a constant of this module
            f"WHERE site = ? AND time >= ? AND time < ? AND sensor = ? AND flags & {SUSPECT} = 0 GROUP BY 1 ORDER BY 1"
        )
        with self._file.reading() as connection:
            site_id, sensor_id = _id_of(connection, "site", site), _id_of(connection, "sensor", sensor)
            if every_ms % HOUR_MS == 0 and hourly.reaches_an_hour(start_ms, end_ms):
                return hourly.aggregate(connection, site_id, sensor_id, start_ms, end_ms, every_ms, fn)
            rows = connection.execute(statement, (every_ms, site_id, start_ms, end_ms, sensor_id))
            return [Bucket(row[0], float(row[1]), row[2]) for row in rows]

    def series(self) -> list[tuple[str, str]]:
        """The (site, sensor) pairs of which there are readings, in order."""
        with self._file.reading() as connection:
            return list(connection.execute(_SERIES))

    def roll_up(self, until_ms: int) -> int:
        """Aggregate again every marked hour that ended by `until_ms`; returns how many, counted by sensor."""
        return hourly.make(self._file.transaction, until_ms)

    def rollups(self, site: str, sensor: str, start_ms: int, end_ms: int) -> list[Rollup]:
        """The roll-ups of hours that start in `[start_ms, end_ms)`, as they were last made, oldest first."""
        with self._file.reading() as connection:
            key = (_id_of(connection, "site", site), _id_of(connection, "sensor", sensor))
            return hourly.read(connection, *key, start_ms, end_ms)

    def adopt(self, site: str, sensor: str, rollups: Sequence[Rollup]) -> None:
        """Take over roll-ups of hours whose readings are gone elsewhere. Those made here stay."""
        with self._file.transaction() as connection:
            key = (_make_id(connection, "site", site, {}), _make_id(connection, "sensor", sensor, {}))
            hourly.adopt(connection, *key, rollups)

    def prune(self, before_ms: int) -> int:
        """Delete readings of whole hours before `before_ms`, but of no hour whose roll-up is not done."""
        return hourly.prune(self._file.transaction, before_ms)

    def rejects(self, limit: int = 100, before: tuple[int, int] | None = None) -> list[Reject]:
        """The newest rejects before a mark, newest first. One that came again has the time of its last coming."""
        with self._file.reading() as connection:
            return refused_messages.newest(connection, limit, before)

    def counts(self) -> dict[str, int]:
        """How many `readings` and `rejects` are stored. Reads the whole index: not for every request."""
        with self._file.reading() as connection:
            readings = connection.execute("SELECT count(*) FROM reading").fetchone()[0]
            return {"readings": readings, "rejects": refused_messages.count(connection)}

    def ping(self) -> None:
        """Raise StoreUnavailable or StoreCorrupt if the store cannot be used."""
        self._file.ping()

    def close(self) -> None:
        """Let go of it. Nothing that was acknowledged depends on this call."""
        self._file.close()

    def _insert(self, connection: sqlite3.Connection, readings: Sequence[Reading]) -> None:
        newest: dict[tuple[int, int], int] = {}
        hours: set[tuple[int, int, int]] = set()
        rows: list[tuple[int, int, int, float, int]] = []
        for site, time_ms, sensor, value, flags in readings:
            site_id = self._site_ids.get(site) or _make_id(connection, "site", site, self._site_ids)
            sensor_id = self._sensor_ids.get(sensor) or _make_id(connection, "sensor", sensor, self._sensor_ids)
            rows.append((site_id, time_ms, sensor_id, value, flags))
            if not flags & SUSPECT:
                hours.add((site_id, time_ms // HOUR_MS, sensor_id))
                if time_ms > newest.get((site_id, sensor_id), -1):
                    newest[site_id, sensor_id] = time_ms
        connection.executemany(_INSERT, rows)
        connection.executemany(_UPSERT_LATEST, [(site, time_ms, sensor) for (site, sensor), time_ms in newest.items()])
        hourly.mark(connection, hours)


def _id_of(connection: sqlite3.Connection, table: str, name: str) -> int:
    """Id of a site or sensor; -1, which no row has, if nothing was ever heard of it."""
    row = connection.execute(f"SELECT id FROM {table} WHERE name = ?", (name,)).fetchone()  # noqa: S608
    return -1 if row is None else int(row[0])


def _make_id(connection: sqlite3.Connection, table: str, name: str, known: dict[str, int]) -> int:
    connection.execute(f"INSERT INTO {table} (name) VALUES (?) ON CONFLICT DO NOTHING", (name,))  # noqa: S608
    known[name] = _id_of(connection, table, name)
    return known[name]
