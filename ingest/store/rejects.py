"""Messages that could not become readings: a table in SQLite, whatever the readings are kept in."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Sequence
from typing import Final

from ingest.reading import Reading, Reject

MAX_REJECTS: Final = 10_000
_MAX_PAYLOAD: Final = 4096

SCHEMA: Final = """
CREATE TABLE reject (
    id INTEGER PRIMARY KEY, digest BLOB NOT NULL UNIQUE,
    time INTEGER NOT NULL, topic TEXT NOT NULL, reason TEXT NOT NULL, payload BLOB NOT NULL
);
CREATE INDEX reject_time ON reject (time);
"""
_INSERT: Final = """
INSERT INTO reject (digest, time, topic, reason, payload) VALUES (?, ?, ?, ?, ?)
ON CONFLICT DO UPDATE SET time = max(time, excluded.time)
"""
_PRUNE: Final = "DELETE FROM reject WHERE id IN (SELECT id FROM reject ORDER BY time DESC, id DESC LIMIT -1 OFFSET ?)"
_NEWEST: Final = """
SELECT time, topic, reason, payload, id FROM reject WHERE (time, id) < (?, ?) ORDER BY time DESC, id DESC LIMIT ?
"""
#: A place in the order of rejects: the time and the id of one.
Mark = tuple[int, int]
_NOW: Final[Mark] = (2**63 - 1, 2**63 - 1)


def insert(connection: sqlite3.Connection, rejects: Sequence[Reject], most: int = MAX_REJECTS) -> None:
    """Add rejects, a redelivered one once; keep only so many, the newest."""
    if not rejects:
        return
    connection.executemany(
        _INSERT, [(_digest(reject), *reject[:3], reject.payload[:_MAX_PAYLOAD]) for reject in rejects]
    )
    connection.execute(_PRUNE, (most,))


def newest(connection: sqlite3.Connection, limit: int, before: Mark | None = None) -> list[Reject]:
    """The newest rejects before a mark, newest first. One that came again has the time of its last coming."""
    return [Reject(*row) for row in connection.execute(_NEWEST, (*(before or _NOW), limit))]


def count(connection: sqlite3.Connection) -> int:
    """How many are kept."""
    return int(connection.execute("SELECT count(*) FROM reject").fetchone()[0])


def refusal(reading: Reading, why: str, payload: bytes = b"") -> Reject:
    """The reject that stands for a reading which cannot be stored."""
    return Reject(reading.time_ms, f"{reading.site}/{reading.sensor}", f"{reading.sensor}: {why}", payload)


def no_value(reading: Reading) -> Reject:
    """The refusal of a value that is none: NaN or infinite."""
    return refusal(reading, f"{reading.value} is no value, and is not stored")


def _digest(reject: Reject) -> bytes:
    """Equal for the same message delivered again."""
    parts = (reject.topic.encode("utf-8", "surrogatepass"), reject.reason.encode("utf-8", "surrogatepass"))
    return hashlib.blake2b(b"\0".join((*parts, reject.payload)), digest_size=16).digest()
