"""Readings in SQLite: one file, one writer, any number of readers.

Safe to share between threads: writing goes through one connection under a lock, every read
through a connection of its own from a pool, and WAL lets them read while another writes. A commit is
on disk when it returns (synchronous = FULL). The row of a reading is keyed (site, time, sensor),
so a batch lands on neighbouring pages and a redelivered one changes nothing: the first wins.
"""

from __future__ import annotations

import hashlib
import math
import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from ingest.errors import StoreCorrupt, StoreError, StoreUnavailable
from ingest.reading import SUSPECT, Reading, Reject
from ingest.store.readings import Aggregate, Bucket, WriteResult

SCHEMA_VERSION: Final = 1
_BUSY_S: Final = 10.0
_MAX_PAYLOAD: Final = 4096
#: Statements are few; parameters are never built into their text.
_SCHEMA: Final = """
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
CREATE TABLE reject (
    id INTEGER PRIMARY KEY, digest BLOB NOT NULL UNIQUE,
    time INTEGER NOT NULL, topic TEXT NOT NULL, reason TEXT NOT NULL, payload BLOB NOT NULL
);
CREATE INDEX reject_time ON reject (time);
"""
_INSERT: Final = "INSERT INTO reading VALUES (?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"
#: Taken from the row itself, so that a redelivered, differing copy cannot get in here.
_UPSERT_LATEST: Final = f"""
INSERT INTO latest SELECT site, sensor, time, value, flags FROM reading
WHERE site = ? AND time = ? AND sensor = ? AND flags & {SUSPECT} = 0
ON CONFLICT DO UPDATE SET time = excluded.time, value = excluded.value, flags = excluded.flags
WHERE excluded.time > latest.time
"""  # noqa: S608 - a constant
_INSERT_REJECT: Final = """
INSERT INTO reject (digest, time, topic, reason, payload) VALUES (?, ?, ?, ?, ?)
ON CONFLICT DO UPDATE SET time = max(time, excluded.time)
"""
_PRUNE_REJECTS: Final = (
    "DELETE FROM reject WHERE id IN (SELECT id FROM reject ORDER BY time DESC, id DESC LIMIT -1 OFFSET ?)"
)
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
_REMEDIES: Final = {
    sqlite3.SQLITE_BUSY: "another process holds it: stop the other writer, or wait",
    sqlite3.SQLITE_LOCKED: "another process holds it: stop the other writer, or wait",
    sqlite3.SQLITE_FULL: "the disk is full: make room",
    sqlite3.SQLITE_READONLY: "it is read-only: give this user the right to write the file and its folder",
    sqlite3.SQLITE_PERM: "this user may not open it: correct owner and rights of the file and its folder",
    sqlite3.SQLITE_CANTOPEN: "it cannot be opened: the folder must exist and be open to this user",
    sqlite3.SQLITE_IOERR: "the disk reports errors: look at the system log, and think of a backup",
}


class SqliteStore:
    """A `ReadingStore` in one SQLite file.

    file         made with its folder if absent and `writer`
    writer       whether this process writes; it then checks the file once, at opening
    max_rejects  only so many are kept, the newest

    Raises StoreUnavailable or StoreCorrupt, at opening as later.
    """

    def __init__(self, file: Path, *, writer: bool = True, max_rejects: int = 10_000) -> None:
        self._file = file
        self._is_writer = writer
        self._max_rejects = max_rejects
        self._lock = threading.Lock()
        self._idle: list[sqlite3.Connection] = []
        self._write_connection: sqlite3.Connection | None = None
        self._site_ids: dict[str, int] = {}
        self._sensor_ids: dict[str, int] = {}
        with self._translated():
            if writer:
                file.parent.mkdir(parents=True, exist_ok=True)
                self._create(self._writer())
            else:
                with self._reading():
                    pass

    def write(self, readings: Sequence[Reading], rejects: Sequence[Reject] = ()) -> WriteResult:
        """Store everything in one commit, and return only once it is on disk."""
        good = [reading for reading in readings if math.isfinite(reading.value)]
        refused = [_refusal(reading) for reading in readings if not math.isfinite(reading.value)]
        with self._lock, self._translated():
            with self._transaction() as connection:
                self._insert_readings(connection, good)
                self._insert_rejects(connection, [*rejects, *refused])
        return WriteResult(len(good), refused)

    def latest(self, site: str, until_ms: int) -> dict[str, Reading]:
        """The newest usable reading of each sensor, not dated after `until_ms`, by sensor."""
        found: dict[str, Reading] = {}
        with self._translated(), self._reading() as connection:
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
        with self._translated(), self._reading() as connection:
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
        with self._translated(), self._reading() as connection:
            key = (_id_of(connection, "site", site), start_ms, end_ms, _id_of(connection, "sensor", sensor))
            return [Bucket(row[0], float(row[1]), row[2]) for row in connection.execute(statement, (every_ms, *key))]

    def rejects(self, limit: int = 100) -> list[Reject]:
        """The newest rejects, newest first. One that came again has the time of its last coming."""
        newest = "SELECT time, topic, reason, payload FROM reject ORDER BY time DESC, id DESC LIMIT ?"
        with self._translated(), self._reading() as connection:
            return [Reject(*row) for row in connection.execute(newest, (limit,))]

    def counts(self) -> dict[str, int]:
        """How many `readings` and `rejects` are stored. Reads the whole index: not for every request."""
        both = "SELECT (SELECT count(*) FROM reading), (SELECT count(*) FROM reject)"
        with self._translated(), self._reading() as connection:
            readings, rejects = connection.execute(both).fetchone()
        return {"readings": readings, "rejects": rejects}

    def ping(self) -> None:
        """Raise StoreUnavailable or StoreCorrupt if the store cannot be used."""
        if self._is_writer:
            with self._lock, self._translated(), self._transaction():
                pass
        else:
            with self._translated(), self._reading() as connection:
                connection.execute("SELECT 1 FROM site LIMIT 1").fetchone()

    def close(self) -> None:
        """Let go of it. Nothing that was acknowledged depends on this call."""
        with self._lock:
            if self._write_connection is not None:
                self._write_connection.close()
                self._write_connection = None
        while self._idle:
            self._idle.pop().close()

    def _insert_readings(self, connection: sqlite3.Connection, readings: Sequence[Reading]) -> None:
        newest: dict[tuple[int, int], int] = {}
        rows: list[tuple[int, int, int, float, int]] = []
        for site, time_ms, sensor, value, flags in readings:
            site_id = self._site_ids.get(site) or _make_id(connection, "site", site, self._site_ids)
            sensor_id = self._sensor_ids.get(sensor) or _make_id(connection, "sensor", sensor, self._sensor_ids)
            rows.append((site_id, time_ms, sensor_id, value, flags))
            if not flags & SUSPECT and time_ms > newest.get((site_id, sensor_id), -1):
                newest[site_id, sensor_id] = time_ms
        connection.executemany(_INSERT, rows)
        connection.executemany(_UPSERT_LATEST, [(site, time_ms, sensor) for (site, sensor), time_ms in newest.items()])

    def _insert_rejects(self, connection: sqlite3.Connection, rejects: Sequence[Reject]) -> None:
        if not rejects:
            return
        connection.executemany(
            _INSERT_REJECT,
            [(_digest(reject), *reject[:3], reject.payload[:_MAX_PAYLOAD]) for reject in rejects],
        )
        connection.execute(_PRUNE_REJECTS, (self._max_rejects,))

    @contextmanager
    def _transaction(self) -> Iterator[sqlite3.Connection]:
        """A commit of the writer, which has the lock; on any failure nothing of it stays."""
        connection = self._writer()
        try:
            connection.execute("BEGIN IMMEDIATE")
            yield connection
            connection.execute("COMMIT")
        except BaseException:
            # After an I/O error the connection itself may be bad: the next use opens a new one.
            self._site_ids.clear()
            self._sensor_ids.clear()
            self._write_connection = None
            connection.close()
            raise

    def _writer(self) -> sqlite3.Connection:
        if not self._is_writer:
            raise StoreError(f"{self._file} was opened for reading only")
        if self._write_connection is None:
            self._write_connection = self._connect("rwc")
            self._write_connection.execute("PRAGMA journal_mode = WAL")
        return self._write_connection

    @contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection]:
        """A connection that nobody else reads from meanwhile."""
        try:
            connection = self._idle.pop()
        except IndexError:
            connection = self._new_reader()
        try:
            yield connection
        except BaseException:
            connection.close()
            raise
        self._idle.append(connection)

    def _new_reader(self) -> sqlite3.Connection:
        if not self._file.exists():
            raise StoreUnavailable(f"{self._file} is not there yet: the ingest role makes it when it starts")
        connection = self._connect("rw")
        try:
            connection.execute("PRAGMA query_only = ON")
            self._check_version(connection)
        except BaseException:
            connection.close()
            raise
        return connection

    def _connect(self, mode: str) -> sqlite3.Connection:
        connection = sqlite3.connect(
            f"{self._file.resolve().as_uri()}?mode={mode}",
            uri=True,
            timeout=_BUSY_S,
            isolation_level=None,
            check_same_thread=False,  # one thread at a time, but not always the same
        )
        connection.execute("PRAGMA synchronous = FULL")
        return connection

    def _create(self, connection: sqlite3.Connection) -> None:
        """Make the tables in a new file; look an old one over."""
        if connection.execute("PRAGMA user_version").fetchone()[0] == 0:
            connection.executescript(f"BEGIN IMMEDIATE; {_SCHEMA} PRAGMA user_version = {SCHEMA_VERSION}; COMMIT;")
            return
        self._check_version(connection)
        found = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
        if found != "ok":
            raise StoreCorrupt(f"{self._file} is damaged ({' '.join(found.split())}): {_RESTORE}")

    def _check_version(self, connection: sqlite3.Connection) -> None:
        version = connection.execute("PRAGMA user_version").fetchone()[0]
        if version == 0:
            raise StoreUnavailable(f"{self._file} holds nothing yet: the ingest role fills it when it starts")
        if version != SCHEMA_VERSION:
            raise StoreCorrupt(
                f"{self._file} was written by another version (schema {version}, this one knows {SCHEMA_VERSION}): "
                "run that version; the file was not touched"
            )

    @contextmanager
    def _translated(self) -> Iterator[None]:
        """What may pass becomes StoreUnavailable, damage StoreCorrupt; mistakes of ours stay what they are."""
        try:
            yield
        except sqlite3.Error as error:
            code = (getattr(error, "sqlite_errorcode", None) or 0) & 0xFF
            if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
                raise StoreCorrupt(f"{self._file} is damaged ({error}): {_RESTORE}") from error
            if code in _REMEDIES:
                raise StoreUnavailable(f"{self._file}: {_REMEDIES[code]} ({error})") from error
            raise
        except OSError as error:
            raise StoreUnavailable(f"{self._file}: {_REMEDIES[sqlite3.SQLITE_CANTOPEN]} ({error})") from error


_RESTORE: Final = "stop the service, keep a copy of the file, and restore the last backup (ullage restore)"


def _id_of(connection: sqlite3.Connection, table: str, name: str) -> int:
    """Id of a site or sensor; -1, which no row has, if nothing was ever heard of it."""
    row = connection.execute(f"SELECT id FROM {table} WHERE name = ?", (name,)).fetchone()  # noqa: S608
    return -1 if row is None else int(row[0])


def _make_id(connection: sqlite3.Connection, table: str, name: str, known: dict[str, int]) -> int:
    connection.execute(f"INSERT INTO {table} (name) VALUES (?) ON CONFLICT DO NOTHING", (name,))  # noqa: S608
    known[name] = _id_of(connection, table, name)
    return known[name]


def _digest(reject: Reject) -> bytes:
    """Equal for the same message delivered again."""
    parts = (reject.topic.encode("utf-8", "surrogatepass"), reject.reason.encode("utf-8", "surrogatepass"))
    return hashlib.blake2b(b"\0".join((*parts, reject.payload)), digest_size=16).digest()


def _refusal(reading: Reading) -> Reject:
    reason = f"{reading.sensor}: {reading.value} is no value, and is not stored"
    return Reject(reading.time_ms, f"{reading.site}/{reading.sensor}", reason, b"")
