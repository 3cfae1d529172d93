"""What the SQLite store adds to the promises of all stores: durability, bounds, and clear refusals."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest

from ingest.errors import StoreCorrupt, StoreError, StoreUnavailable
from ingest.instants import DAY_MS, HOUR_MS
from ingest.reading import OUT_OF_RANGE, Reading, Reject
from ingest.store import sqlitefile as module
from ingest.store.sqlite import STEPS, SqliteStore
from ingest.store.sqlitefile import SqliteFile

READING = Reading("a", 1_772_366_400_000, "post-1/level", 1.0)


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "data" / "readings.db"


def test_a_commit_is_on_disk_when_it_returns(file: Path) -> None:
    store = SqliteStore(file)
    connection = store._file.writer()
    assert connection.execute("PRAGMA synchronous").fetchone() == (2,)  # FULL
    assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    store.close()


def test_an_acknowledged_write_survives_a_kill(file: Path) -> None:
    script = (
        "import os, sys; from pathlib import Path; from ingest.store.sqlite import SqliteStore; "
        "from ingest.reading import Reading; store = SqliteStore(Path(sys.argv[1])); "
        "store.write([Reading('a', i, 'd/x', 1.0) for i in range(1, 101)]); os.kill(os.getpid(), 9)"
    )
    done = subprocess.run([sys.executable, "-c", script, str(file)], check=False, timeout=60)
    assert done.returncode == -9
    store = SqliteStore(file)
    assert store.counts()["readings"] == 100
    store.close()


def test_only_the_newest_rejects_are_kept(file: Path) -> None:
    store = SqliteStore(file, max_rejects=3)
    for time_ms in range(1, 6):
        store.write([], [Reject(time_ms, "t", f"bad {time_ms}", b"")])
    assert [reject.time_ms for reject in store.rejects()] == [5, 4, 3]
    store.close()


def test_another_writer_makes_it_unavailable_and_nothing_is_half_written(
    file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "_BUSY_S", 0.05)
    store = SqliteStore(file)
    other = sqlite3.connect(file, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(StoreUnavailable, match="another process holds it: stop the other writer"):
        store.write([READING], [Reject(1, "t", "bad", b"")])
    with pytest.raises(StoreUnavailable):
        store.ping()
    other.execute("ROLLBACK")
    other.close()
    assert store.counts() == {"readings": 0, "rejects": 0}
    store.write([READING])
    assert store.counts() == {"readings": 1, "rejects": 0}
    store.close()


def test_a_full_disk_makes_it_unavailable_until_there_is_room(file: Path) -> None:
    store = SqliteStore(file)
    pages = store._file.writer().execute("PRAGMA page_count").fetchone()[0]
    store._file.writer().execute(f"PRAGMA max_page_count = {pages}")  # SQLite then reports a full disk
    many = [READING._replace(time_ms=READING.time_ms + i) for i in range(10_000)]
    with pytest.raises(StoreUnavailable, match="the disk is full: make room"):
        store.write(many)
    assert store.counts()["readings"] == 0
    assert store.write(many).accepted == 10_000
    assert store.latest("a", READING.time_ms)["post-1/level"] == READING
    store.close()


@pytest.mark.parametrize("where", ["header", "page"])
def test_damage_is_found_at_opening(file: Path, where: str) -> None:
    store = SqliteStore(file)
    store.write([READING._replace(time_ms=READING.time_ms + i) for i in range(5_000)])
    store.close()
    data = bytearray(file.read_bytes())
    if where == "header":
        data[:16] = b"no database here"
    else:
        data[8 * 4096 : 12 * 4096] = b"\xaa" * 4 * 4096
    file.write_bytes(data)
    with pytest.raises(StoreCorrupt, match=r"is damaged .*restore the last backup"):
        SqliteStore(file)


def test_a_newer_schema_is_not_touched(file: Path) -> None:
    SqliteStore(file).close()
    connection = sqlite3.connect(file)
    connection.execute("PRAGMA user_version = 99")
    connection.close()
    for writer in (True, False):
        with pytest.raises(StoreCorrupt, match="written by another version"):
            SqliteStore(file, writer=writer)


def test_a_reader_waits_for_the_writer_to_make_the_file(file: Path) -> None:
    with pytest.raises(StoreUnavailable, match="the ingest role makes it"):
        SqliteStore(file, writer=False)
    assert not file.exists()
    writer = SqliteStore(file)
    reader = SqliteStore(file, writer=False)
    writer.write([READING])
    assert reader.range("a", "post-1/level", 0, 10**15) == [READING]
    reader.ping()
    with pytest.raises(StoreError, match="opened for reading only"):
        reader.write([READING])
    writer.close()
    reader.close()


def test_a_folder_that_cannot_be_made_is_named(tmp_path: Path) -> None:
    (tmp_path / "data").write_text("a file where the folder should be")
    with pytest.raises(StoreUnavailable, match="the folder must exist and be open to this user"):
        SqliteStore(tmp_path / "data" / "readings.db")


def test_our_own_mistakes_are_not_called_a_store_that_is_away(file: Path) -> None:
    store = SqliteStore(file)
    with pytest.raises(sqlite3.OperationalError), store._file.translated():
        store._file.writer().execute("SELECT * FROM nowhere")
    store.close()


def test_a_file_of_the_first_schema_is_brought_up_with_all_its_readings(file: Path) -> None:
    file.parent.mkdir()
    old = sqlite3.connect(file)
    old.executescript(f"{STEPS[0]} PRAGMA user_version = 1;")
    old.executescript("INSERT INTO site VALUES (1, 'a'); INSERT INTO sensor VALUES (1, 'post-1/level')")
    hour = READING.time_ms // HOUR_MS * HOUR_MS
    rows = [(hour + i * HOUR_MS // 4, float(i), 0) for i in range(10)] + [(hour + 20 * HOUR_MS, 9.0, OUT_OF_RANGE)]
    old.executemany("INSERT INTO reading VALUES (1, ?, 1, ?, ?)", rows)
    old.commit()
    old.close()
    with pytest.raises(StoreUnavailable, match="the ingest role renews it"):
        SqliteStore(file, writer=False)
    store = SqliteStore(file)
    assert store.counts()["readings"] == 11
    assert store.roll_up(hour + DAY_MS) == 3
    made = store.rollups("a", "post-1/level", hour, hour + DAY_MS)
    assert [(rollup.readings, rollup.mean) for rollup in made] == [(4, 1.5), (4, 5.5), (2, 8.5)]
    store.close()
    reader = SqliteStore(file, writer=False)
    assert reader.counts()["readings"] == 11
    reader.close()


def test_a_migration_that_fails_leaves_the_old_file_as_it_was(file: Path) -> None:
    SqliteStore(file).close()
    broken = (*STEPS, "CREATE TABLE more (x); INSERT INTO nowhere VALUES (1);")
    with pytest.raises(sqlite3.OperationalError):
        SqliteFile(file, broken, writer=True)
    store = SqliteStore(file)
    store.write([READING])
    store.close()


def test_a_year_in_hours_is_read_from_roll_ups(file: Path) -> None:
    """Not the time, which depends on the machine, but what is read: nothing of the readings."""
    store = SqliteStore(file)
    store.write([READING._replace(time_ms=READING.time_ms + i * HOUR_MS) for i in range(100)])
    store.roll_up(READING.time_ms + 200 * HOUR_MS)
    expected = store.aggregate("a", READING.sensor, READING.time_ms, READING.time_ms + 100 * HOUR_MS, HOUR_MS, "mean")
    store._file.writer().execute("DELETE FROM reading")
    found = store.aggregate("a", READING.sensor, READING.time_ms, READING.time_ms + 100 * HOUR_MS, HOUR_MS, "mean")
    assert found == expected[: len(found)]
    assert len(found) >= 99
    store.close()
