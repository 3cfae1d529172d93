"""Hourly roll-ups inside the SQLite file: marked as readings come, made again when asked, kept for good.

An hour of a sensor is marked (table `dirty`) in the very commit that stores a usable reading of
it. So an hour that is not marked and has a roll-up is up to date, and one that is not marked and
has none has no usable readings. `retention` remembers up to which hour readings were deleted.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractContextManager
from operator import itemgetter
from typing import Final

from ingest.instants import DAY_MS, HOUR_MS
from ingest.reading import SUSPECT
from ingest.store.readings import Aggregate, Bucket, Rollup

Transaction = Callable[[], AbstractContextManager[sqlite3.Connection]]

#: From schema 1 to 2. Every hour there is gets its mark: the first roll-up makes them all.
SCHEMA: Final = f"""
CREATE TABLE hourly (
    site INTEGER NOT NULL, sensor INTEGER NOT NULL, hour INTEGER NOT NULL,
    readings INTEGER NOT NULL, mean REAL NOT NULL, min REAL NOT NULL, max REAL NOT NULL,
    first REAL NOT NULL, last REAL NOT NULL,
    PRIMARY KEY (site, sensor, hour)
) WITHOUT ROWID;
CREATE TABLE dirty (
    site INTEGER NOT NULL, hour INTEGER NOT NULL, sensor INTEGER NOT NULL,
    PRIMARY KEY (site, hour, sensor)
) WITHOUT ROWID;
CREATE TABLE retention (id INTEGER PRIMARY KEY CHECK (id = 1), before_hour INTEGER NOT NULL);
INSERT INTO dirty SELECT DISTINCT site, (time - (time % {HOUR_MS} + {HOUR_MS}) % {HOUR_MS}) / {HOUR_MS}, sensor
FROM reading WHERE flags & {SUSPECT} = 0;
"""  # noqa: S608 - constants
_MARK: Final = "INSERT INTO dirty (site, hour, sensor) VALUES (?, ?, ?) ON CONFLICT DO NOTHING"
_DUE: Final = "SELECT DISTINCT site, hour FROM dirty WHERE hour < ? LIMIT ?"
#: All marked sensors of one hour of a site: its readings lie together in the file.
_MAKE: Final = f"""
INSERT INTO hourly
SELECT :site, sensor, :hour, n, mean, low, high,
    (SELECT value FROM reading WHERE site = :site AND time = opens AND reading.sensor = h.sensor),
    (SELECT value FROM reading WHERE site = :site AND time = closes AND reading.sensor = h.sensor)
FROM (
    SELECT sensor, count(*) AS n, avg(value) AS mean, min(value) AS low, max(value) AS high,
        min(time) AS opens, max(time) AS closes
    FROM reading
    WHERE site = :site AND time >= :hour * {HOUR_MS} AND time < (:hour + 1) * {HOUR_MS}
        AND sensor IN (SELECT sensor FROM dirty WHERE site = :site AND hour = :hour)
        AND flags & {SUSPECT} = 0
    GROUP BY sensor
) AS h WHERE true
ON CONFLICT DO UPDATE SET readings = excluded.readings, mean = excluded.mean, min = excluded.min,
    max = excluded.max, first = excluded.first, last = excluded.last
WHERE :hour >= :kept_from OR excluded.readings >= hourly.readings
"""  # noqa: S608 - constants
_UNMARK: Final = "DELETE FROM dirty WHERE site = ? AND hour = ?"
_KEPT_FROM: Final = "SELECT coalesce(max(before_hour), -9223372036854775808) FROM retention"
_RAISE_RETENTION: Final = """
INSERT INTO retention VALUES (1, ?) ON CONFLICT DO UPDATE SET before_hour = max(before_hour, excluded.before_hour)
"""
_OLDEST: Final = "SELECT min(time) FROM reading WHERE site = ? AND time >= ?"
_DELETE: Final = f"""
DELETE FROM reading WHERE site = ? AND time >= ? AND time < ? AND NOT EXISTS (
    SELECT 1 FROM dirty WHERE dirty.site = reading.site AND dirty.sensor = reading.sensor
    AND dirty.hour * {HOUR_MS} <= reading.time AND (dirty.hour + 1) * {HOUR_MS} > reading.time
)
"""  # noqa: S608 - constants
_ROLLUPS: Final = f"""
SELECT hour * {HOUR_MS}, readings, mean, min, max, first, last FROM hourly
WHERE site = ? AND sensor = ? AND hour >= ? AND hour < ? ORDER BY hour
"""  # noqa: S608 - constants
_ADOPT: Final = "INSERT INTO hourly VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"
#: Roll-ups that are up to date. An hour that is marked although its readings were deleted is still told by its own.
_WHOLE: Final = """
FROM hourly WHERE site = :site AND sensor = :sensor AND hour >= :first AND hour < :end
    AND (hour < :kept_from OR hour NOT IN (
        SELECT hour FROM dirty WHERE site = :site AND hour >= :first AND hour < :end AND sensor = :sensor))
"""
#: Marked hours, and the ends that are no whole hours, from the readings.
_REST: Final = f"""
SELECT time, 1 AS readings, value AS mean, value AS min, value AS max, value AS first, value AS last
FROM dirty CROSS JOIN reading
WHERE dirty.site = :site AND dirty.hour >= :first AND dirty.hour < :end AND dirty.sensor = :sensor
    AND reading.site = :site AND reading.sensor = :sensor AND flags & {SUSPECT} = 0
    AND time >= dirty.hour * {HOUR_MS} AND time < (dirty.hour + 1) * {HOUR_MS}
    AND NOT EXISTS (SELECT 1 FROM hourly WHERE hourly.site = :site AND hourly.sensor = :sensor
        AND hourly.hour = dirty.hour AND hourly.hour < :kept_from)
UNION ALL
SELECT time, 1, value, value, value, value, value FROM reading
WHERE site = :site AND sensor = :sensor AND flags & {SUSPECT} = 0
    AND time >= :start_ms AND time < :first * {HOUR_MS}
UNION ALL
SELECT time, 1, value, value, value, value, value FROM reading
WHERE site = :site AND sensor = :sensor AND flags & {SUSPECT} = 0
    AND time >= :end * {HOUR_MS} AND time < :end_ms
"""  # noqa: S608 - constants
_PARTS: Final = f"SELECT hour * {HOUR_MS} AS time, readings, mean, min, max, first, last {_WHOLE} UNION ALL {_REST}"
#: For first and last: beside a lone min() or max(), SQLite takes the other columns from its row.
_MERGES: Final[dict[Aggregate, str]] = {
    "mean": "sum(mean * readings) / sum(readings), sum(readings)",
    "min": "min(min), sum(readings)",
    "max": "max(max), sum(readings)",
    "count": "sum(readings), sum(readings)",
    "first": "first, sum(readings), min(time)",
    "last": "last, sum(readings), max(time)",
}
#: The same of one roll-up alone.
_COLUMNS: Final[dict[Aggregate, str]] = {fn: "readings" if fn == "count" else fn for fn in _MERGES}
_TIME: Final = itemgetter(0)
#: Hours of a site made in one commit: so long does a writer wait at most.
_HOURS_A_COMMIT: Final = 200


def mark(connection: sqlite3.Connection, hours: Iterable[tuple[int, int, int]]) -> None:
    """Mark hours for the next roll-up: (site id, hour since 1970, sensor id)."""
    connection.executemany(_MARK, hours)


def make(transaction: Transaction, until_ms: int) -> int:
    """Aggregate every marked hour that ended by `until_ms`, some at a time; how many, counted by sensor."""
    made = 0
    while True:
        with transaction() as connection:
            due = connection.execute(_DUE, (until_ms // HOUR_MS, _HOURS_A_COMMIT)).fetchall()
            kept_from = _kept_from(connection)
            for site, hour in due:
                connection.execute(_MAKE, {"site": site, "hour": hour, "kept_from": kept_from})
                made += connection.execute(_UNMARK, (site, hour)).rowcount
        if len(due) < _HOURS_A_COMMIT:
            return made


def prune(transaction: Transaction, before_ms: int) -> int:
    """Delete the readings of whole, unmarked hours before an instant, a day of a site at a time; how many."""
    before_hour = before_ms // HOUR_MS
    deleted = 0
    with transaction() as connection:
        connection.execute(_RAISE_RETENTION, (before_hour,))
        sites = [row[0] for row in connection.execute("SELECT id FROM site")]
    for site in sites:
        cursor_ms = -(2**62)
        while True:
            with transaction() as connection:
                oldest_ms = connection.execute(_OLDEST, (site, cursor_ms)).fetchone()[0]
                if oldest_ms is None or oldest_ms >= before_hour * HOUR_MS:
                    break
                cursor_ms = min(oldest_ms + DAY_MS, before_hour * HOUR_MS)
                deleted += connection.execute(_DELETE, (site, oldest_ms, cursor_ms)).rowcount
    return deleted


def adopt(connection: sqlite3.Connection, site: int, sensor: int, rollups: Sequence[Rollup]) -> None:
    """Take over roll-ups whose readings were deleted elsewhere."""
    if rollups:
        rows = [(site, sensor, rollup.start_ms // HOUR_MS, *rollup[1:]) for rollup in rollups]
        connection.executemany(_ADOPT, rows)
        connection.execute(_RAISE_RETENTION, (max(row[2] for row in rows) + 1,))


def read(connection: sqlite3.Connection, site: int, sensor: int, start_ms: int, end_ms: int) -> list[Rollup]:
    """The roll-ups of hours that start in `[start_ms, end_ms)`, oldest first."""
    hours = (-(-start_ms // HOUR_MS), -(-end_ms // HOUR_MS))
    return [Rollup(*row) for row in connection.execute(_ROLLUPS, (site, sensor, *hours))]


def reaches_an_hour(start_ms: int, end_ms: int) -> bool:
    """Whether a range holds the start of an hour."""
    return end_ms // HOUR_MS >= -(-start_ms // HOUR_MS)


def aggregate(
    connection: sqlite3.Connection, site: int, sensor: int, start_ms: int, end_ms: int, every_ms: int, fn: Aggregate
) -> list[Bucket]:
    """Intervals of whole hours: from roll-ups where they are up to date, from the readings elsewhere.

    Not for a range inside one hour, see `reaches_an_hour`.
    """
    asked = {
        "site": site, "sensor": sensor, "start_ms": start_ms, "end_ms": end_ms, "every_ms": every_ms,
        "first": -(-start_ms // HOUR_MS), "end": end_ms // HOUR_MS, "kept_from": _kept_from(connection),
    }  # fmt: skip
    merged = f"SELECT time - time % :every_ms, {_MERGES[fn]} FROM ({{}}) GROUP BY 1 ORDER BY 1"  # noqa: S608
    if every_ms == HOUR_MS:
        # A roll-up is an hour's whole story: the database need not sort and merge hundreds of them.
        whole = f"SELECT hour * {HOUR_MS}, {_COLUMNS[fn]}, readings {_WHOLE} ORDER BY hour"
        rows = [*connection.execute(whole, asked), *connection.execute(merged.format(_REST), asked)]
        rows.sort(key=_TIME)
    else:
        rows = connection.execute(merged.format(_PARTS), asked).fetchall()
    return [Bucket(row[0], float(row[1]), row[2]) for row in rows]


def _kept_from(connection: sqlite3.Connection) -> int:
    """The first hour of which readings were never deleted."""
    return int(connection.execute(_KEPT_FROM).fetchone()[0])
