"""Copies of an SQLite file, whole and checked: made while it is in use, put back when it is not.

For the readings as for the records.
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing, suppress
from pathlib import Path
from typing import Final

from ingest.errors import StoreCorrupt, StoreError, StoreUnavailable
from ingest.private import private_file, private_folder

_BUSY_S: Final = 1.0


def backup(file: Path, target: Path) -> int:
    """Copy a file that may be in use to `target`, as it stands at one moment; returns the bytes of the copy.

    Writers go on meanwhile. The copy is checked and on disk before it takes its name; an earlier one is replaced.
    Raises StoreUnavailable when there is nothing to copy or no room, StoreCorrupt when the copy fails its check.
    """
    if not file.exists():
        raise StoreUnavailable(f"{file} is not there: nothing to back up")
    if target.exists() and target.samefile(file):
        raise StoreError(f"{target} is the file itself: a backup needs another place")
    part = target.with_name(f"{target.name}.part")
    try:
        private_folder(target.parent)
        part.unlink(missing_ok=True)
        _copy(file, "rw", part)
        check(part)
        _settle(part, target)
    except (OSError, sqlite3.Error) as error:
        raise StoreUnavailable(f"no backup of {file} to {target}: {error}; look for room and rights there") from error
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)
    return target.stat().st_size


def restore(copy: Path, file: Path) -> Path | None:
    """Put a backup in the place of a file that nobody has open. What stood there is kept; returns where.

    Raises StoreCorrupt when the backup fails its check, StoreUnavailable when the file is in use.
    """
    if not copy.exists():
        raise StoreUnavailable(f"{copy} is not there: nothing to restore")
    check(copy)
    part = file.with_name(f"{file.name}.part")
    try:
        private_folder(file.parent)
        part.unlink(missing_ok=True)
        _copy(copy, "ro", part)
        check(part)
        aside = _set_aside(file) if file.exists() else None
        _settle(part, file)
    except (OSError, sqlite3.Error) as error:
        raise StoreUnavailable(f"{file} was not restored: {error}; look for room and rights there") from error
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)
    return aside


def check(file: Path) -> None:
    """Raise StoreCorrupt unless the file is an SQLite database that passes its own check and holds a schema."""
    try:
        with closing(_open(file, "ro")) as connection:
            found = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
            tables = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    except sqlite3.DatabaseError as error:
        raise StoreCorrupt(f"{file} is no backup that can be used: {error}") from error
    if found != "ok" or not tables:
        raise StoreCorrupt(f"{file} is no backup that can be used: {found if found != 'ok' else 'it is empty'}")


def _copy(source: Path, mode: str, target: Path) -> None:
    """In one step: in steps, a busy writer would make it begin again and again."""
    private_file(target)
    with closing(_open(source, mode)) as whole, closing(_open(target, "rwc")) as copy:
        whole.backup(copy, pages=-1)
        # A copy that lies about, perhaps on a read-only disk, must not need files beside it.
        copy.execute("PRAGMA journal_mode = DELETE")


def _settle(part: Path, target: Path) -> None:
    """Give the finished copy its name, on disk."""
    with part.open("rb") as copy:
        os.fsync(copy.fileno())
    part.replace(target)
    folder = os.open(target.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def _set_aside(file: Path) -> Path:
    """Move a file out of the way, with all that was written to it. Raises StoreUnavailable while it is in use."""
    try:
        with closing(_open(file, "rw")) as connection:
            # In WAL mode this is refused while anybody else has the file open, even if he rests.
            connection.execute("PRAGMA locking_mode = EXCLUSIVE")
            connection.execute("BEGIN EXCLUSIVE")
            connection.execute("COMMIT")
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    except sqlite3.OperationalError as error:
        raise StoreUnavailable(f"{file} is in use: stop the service first ({error})") from error
    except sqlite3.DatabaseError:
        pass  # damaged: it is moved as it is, which is why somebody restores
    number = 1
    while (aside := file.with_name(f"{file.name}.before-restore-{number}")).exists():
        number += 1
    for ending in ("-wal", "-shm"):
        beside = file.with_name(file.name + ending)
        if beside.exists():
            beside.replace(aside.with_name(aside.name + ending))
    file.replace(aside)
    return aside


def _open(file: Path, mode: str) -> sqlite3.Connection:
    return sqlite3.connect(f"{file.resolve().as_uri()}?mode={mode}", uri=True, timeout=_BUSY_S, isolation_level=None)
