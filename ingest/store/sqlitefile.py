"""One SQLite file with its connections: a writer under a lock, readers from a pool, one schema that grows.

WAL lets readers read while another writes, and a commit is on disk when it returns
(synchronous = FULL). What may pass is raised as StoreUnavailable, damage as StoreCorrupt.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from ingest.errors import StoreCorrupt, StoreError, StoreUnavailable
from ingest.private import private_file, private_folder

#: Half of the default: the kernel holds the file anyway, and a small board has little memory. [KiB]
_CACHE_KIB: Final = 1000
_BUSY_S: Final = 10.0
_RESTORE: Final = "stop the service, keep a copy of the file, and restore the last backup (ullage restore)"
_REMEDIES: Final = {
    sqlite3.SQLITE_BUSY: "another process holds it: stop the other writer, or wait",
    sqlite3.SQLITE_LOCKED: "another process holds it: stop the other writer, or wait",
    sqlite3.SQLITE_FULL: "the disk is full: make room",
    sqlite3.SQLITE_READONLY: "it is read-only: give this user the right to write the file and its folder",
    sqlite3.SQLITE_PERM: "this user may not open it: correct owner and rights of the file and its folder",
    sqlite3.SQLITE_CANTOPEN: "it cannot be opened: the folder must exist and be open to this user",
    sqlite3.SQLITE_IOERR: "the disk reports errors: look at the system log, and think of a backup",
}


class SqliteFile:
    """A file that one process writes and any number read. Safe to share between threads.

    file    made with its folder if absent and `writer`
    steps   SQL from an empty file to schema 1, from schema 1 to 2, and so on; only ever appended to
    writer  whether this process writes; it then checks the file once, at opening, and renews its schema

    Raises StoreUnavailable or StoreCorrupt, at opening as later.
    """

    def __init__(self, file: Path, steps: Sequence[str], *, writer: bool) -> None:
        self.file = file
        self._steps = steps
        self._is_writer = writer
        self._lock = threading.Lock()
        self._idle: list[sqlite3.Connection] = []
        self._write_connection: sqlite3.Connection | None = None
        with self.translated():
            if writer:
                private_folder(file.parent)
                private_file(file)
                try:
                    self._create(self.writer())
                except BaseException:
                    self.close()
                    raise
            else:
                with self.reading():
                    pass

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """A commit of the writer, on disk at its end; on any failure nothing of it stays."""
        with self._lock, self.translated():
            connection = self.writer()
            try:
                connection.execute("BEGIN IMMEDIATE")
                yield connection
                connection.execute("COMMIT")
            except BaseException:
                # After an I/O error the connection itself may be bad: the next use opens a new one.
                self._write_connection = None
                connection.close()
                raise

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """A connection that nobody else reads from meanwhile."""
        with self.translated():
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

    def ping(self) -> None:
        """Raise StoreUnavailable or StoreCorrupt if the file cannot be used."""
        if self._is_writer:
            with self.transaction():
                pass
        else:
            with self.reading() as connection:
                connection.execute("SELECT 1 FROM sqlite_master LIMIT 1").fetchone()

    def close(self) -> None:
        """Let go of the file."""
        with self._lock:
            if self._write_connection is not None:
                self._write_connection.close()
                self._write_connection = None
        while self._idle:
            self._idle.pop().close()

    def writer(self) -> sqlite3.Connection:
        """The connection of the writer, who has the lock."""
        if not self._is_writer:
            raise StoreError(f"{self.file} was opened for reading only")
        if self._write_connection is None:
            self._write_connection = self._connect("rwc")
            self._write_connection.execute("PRAGMA journal_mode = WAL")
        return self._write_connection

    def _new_reader(self) -> sqlite3.Connection:
        if not self.file.exists():
            raise StoreUnavailable(
                f"{self.file} is not there yet: the ingest role makes it when it starts; or see --data"
            )
        connection = self._connect("rw")
        try:
            connection.execute("PRAGMA query_only = ON")
            version = self._version(connection)
            if version == 0:
                raise StoreUnavailable(f"{self.file} holds nothing yet: the ingest role fills it when it starts")
            if version < len(self._steps):
                raise StoreUnavailable(
                    f"{self.file} is of an older version (schema {version}): the ingest role renews it when it starts"
                )
        except BaseException:
            connection.close()
            raise
        return connection

    def _connect(self, mode: str) -> sqlite3.Connection:
        connection = sqlite3.connect(
            f"{self.file.resolve().as_uri()}?mode={mode}",
            uri=True,
            timeout=_BUSY_S,
            isolation_level=None,
            check_same_thread=False,  # one thread at a time, but not always the same
        )
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute(f"PRAGMA cache_size = -{_CACHE_KIB}")
        return connection

    def _create(self, connection: sqlite3.Connection) -> None:
        """Look an old file over; bring any file to the newest schema, in one commit."""
        version = self._version(connection)
        if version:
            found = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
            if found != "ok":
                raise StoreCorrupt(f"{self.file} is damaged ({' '.join(found.split())}): {_RESTORE}")
        if version < len(self._steps):
            missing = "".join(self._steps[version:])
            connection.executescript(f"BEGIN IMMEDIATE; {missing} PRAGMA user_version = {len(self._steps)}; COMMIT;")

    def _version(self, connection: sqlite3.Connection) -> int:
        version = int(connection.execute("PRAGMA user_version").fetchone()[0])
        if version > len(self._steps):
            raise StoreCorrupt(
                f"{self.file} was written by another version (schema {version}, this one knows {len(self._steps)}): "
                "run that version; the file was not touched"
            )
        return version

    @contextmanager
    def translated(self) -> Iterator[None]:
        """What may pass becomes StoreUnavailable, damage StoreCorrupt; mistakes of ours stay what they are."""
        try:
            yield
        except sqlite3.Error as error:
            code = (getattr(error, "sqlite_errorcode", None) or 0) & 0xFF
            if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
                raise StoreCorrupt(f"{self.file} is damaged ({error}): {_RESTORE}") from error
            if code in _REMEDIES:
                raise StoreUnavailable(f"{self.file}: {_REMEDIES[code]} ({error})") from error
            raise
        except OSError as error:
            raise StoreUnavailable(f"{self.file}: {_REMEDIES[sqlite3.SQLITE_CANTOPEN]} ({error})") from error
