"""Backups of an SQLite file: whole while it is written to, checked, and never put over a file in use."""

from __future__ import annotations

import sqlite3
import threading
from pathlib import Path

import pytest

from ingest.errors import StoreCorrupt, StoreError, StoreUnavailable
from ingest.reading import Reading
from ingest.store.backup import backup, check, restore
from ingest.store.sqlite import SqliteStore

T = 1_772_366_400_000


def batch(number: int) -> list[Reading]:
    return [Reading("a", T + number * 100 + i, "post-1/level", float(number)) for i in range(100)]


def test_a_backup_while_it_is_written_to_holds_whole_batches(tmp_path: Path) -> None:
    store = SqliteStore(tmp_path / "readings.db")
    store.write(batch(0))
    stop = threading.Event()

    def write() -> None:
        number = 1
        while not stop.is_set():
            store.write(batch(number))
            number += 1

    writer = threading.Thread(target=write)
    writer.start()
    try:
        sizes = []
        for number in range(5):
            target = tmp_path / "copies" / f"{number}.db"
            assert backup(tmp_path / "readings.db", target) == target.stat().st_size
            copy = SqliteStore(target)
            sizes.append(copy.counts()["readings"])
            copy.close()
    finally:
        stop.set()
        writer.join()
        store.close()
    assert all(size >= 100 and size % 100 == 0 for size in sizes)
    assert sizes == sorted(sizes)
    assert not list(tmp_path.glob("copies/*.part"))


def test_a_copy_needs_no_files_beside_it(tmp_path: Path) -> None:
    store = SqliteStore(tmp_path / "readings.db")
    store.write(batch(0))
    backup(tmp_path / "readings.db", tmp_path / "copy.db")
    store.close()
    (tmp_path / "copy.db").chmod(0o400)
    check(tmp_path / "copy.db")
    assert [path.name for path in tmp_path.glob("copy.db*")] == ["copy.db"]


def test_what_is_restored_is_what_was_backed_up_and_the_old_is_kept(tmp_path: Path) -> None:
    file, copy = tmp_path / "readings.db", tmp_path / "copy.db"
    store = SqliteStore(file)
    store.write(batch(0))
    backup(file, copy)
    store.write(batch(1))
    with pytest.raises(StoreUnavailable, match="is in use: stop the service first"):
        restore(copy, file)
    assert store.counts()["readings"] == 200
    store.close()
    aside = restore(copy, file)
    assert aside is not None
    for path, readings in ((file, 100), (aside, 200)):
        again = SqliteStore(path)
        assert again.counts()["readings"] == readings
        again.close()
    assert restore(copy, tmp_path / "elsewhere" / "readings.db") is None


def test_a_reader_at_rest_holds_the_file_too(tmp_path: Path) -> None:
    file, copy = tmp_path / "readings.db", tmp_path / "copy.db"
    SqliteStore(file).close()
    backup(file, copy)
    reader = SqliteStore(file, writer=False)
    with pytest.raises(StoreUnavailable, match="is in use"):
        restore(copy, file)
    reader.close()


def test_a_writer_without_wal_holds_the_file_too(tmp_path: Path) -> None:
    file, copy = tmp_path / "readings.db", tmp_path / "copy.db"
    SqliteStore(file).close()
    backup(file, copy)
    restore(copy, file)  # as restored, it is not in WAL mode
    writer = sqlite3.connect(file, isolation_level=None)
    writer.execute("BEGIN IMMEDIATE")
    with pytest.raises(StoreUnavailable, match="is in use"):
        restore(copy, file)
    writer.close()


def test_a_damaged_file_is_restored_over_and_kept(tmp_path: Path) -> None:
    file, copy = tmp_path / "readings.db", tmp_path / "copy.db"
    store = SqliteStore(file)
    store.write(batch(0))
    store.close()
    backup(file, copy)
    file.write_bytes(b"no database here" * 1000)
    aside = restore(copy, file)
    assert aside == tmp_path / "readings.db.before-restore-1"
    assert aside.read_bytes().startswith(b"no database here")
    again = SqliteStore(file)
    assert again.counts()["readings"] == 100
    again.close()


@pytest.mark.parametrize("content", [b"", b"no database here" * 1000])
def test_what_is_no_backup_is_not_restored(tmp_path: Path, content: bytes) -> None:
    file, copy = tmp_path / "readings.db", tmp_path / "copy.db"
    SqliteStore(file).close()
    copy.write_bytes(content)
    before = file.read_bytes()
    with pytest.raises(StoreCorrupt, match="is no backup that can be used"):
        restore(copy, file)
    assert file.read_bytes() == before


def test_a_damaged_file_gives_no_backup_and_leaves_the_earlier_one(tmp_path: Path) -> None:
    file, copy = tmp_path / "readings.db", tmp_path / "copy.db"
    store = SqliteStore(file)
    for number in range(50):
        store.write(batch(number))
    store.close()
    backup(file, copy)
    earlier = copy.read_bytes()
    data = bytearray(file.read_bytes())
    data[8 * 4096 : 12 * 4096] = b"\xaa" * 4 * 4096
    file.write_bytes(data)
    with pytest.raises(StoreCorrupt):
        backup(file, copy)
    assert copy.read_bytes() == earlier


def test_there_must_be_something_and_somewhere(tmp_path: Path) -> None:
    with pytest.raises(StoreUnavailable, match="nothing to back up"):
        backup(tmp_path / "readings.db", tmp_path / "copy.db")
    with pytest.raises(StoreUnavailable, match="nothing to restore"):
        restore(tmp_path / "copy.db", tmp_path / "readings.db")
    SqliteStore(tmp_path / "readings.db").close()
    with pytest.raises(StoreError, match="is the file itself"):
        backup(tmp_path / "readings.db", tmp_path / "readings.db")
    (tmp_path / "a-file").touch()
    with pytest.raises(StoreUnavailable, match="look for room and rights there"):
        backup(tmp_path / "readings.db", tmp_path / "a-file" / "copy.db")


def test_records_are_backed_up_alike(tmp_path: Path) -> None:
    connection = sqlite3.connect(tmp_path / "records.db")
    connection.executescript("CREATE TABLE forecast (id); INSERT INTO forecast VALUES (1)")
    connection.close()
    backup(tmp_path / "records.db", tmp_path / "copy.db")
    restore(tmp_path / "copy.db", tmp_path / "again.db")
    connection = sqlite3.connect(tmp_path / "again.db")
    assert connection.execute("SELECT * FROM forecast").fetchall() == [(1,)]
    connection.close()
