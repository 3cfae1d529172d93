"""Upkeep of the store: when it is due, and that old readings leave their roll-ups behind."""

from __future__ import annotations

from pathlib import Path

from ingest.housekeeping import GRACE_MS, ROLL_UP_EVERY_MS, Housekeeping
from ingest.instants import DAY_MS, HOUR_MS
from ingest.reading import Reading
from ingest.store.sqlite import SqliteStore

NOW_MS = 1_800_000_000_000 - 1_800_000_000_000 % DAY_MS + 10 * HOUR_MS


def readings(start_ms: int, hours: int) -> list[Reading]:
    return [Reading("s", start_ms + hour * HOUR_MS, "d/level", float(hour)) for hour in range(hours)]


def rolled(store: SqliteStore) -> int:
    return len(store.rollups("s", "d/level", 0, NOW_MS + DAY_MS))


def test_ended_hours_are_rolled_up_when_it_is_time(tmp_path: Path) -> None:
    store = SqliteStore(tmp_path / "readings.db")
    upkeep = Housekeeping(store)
    store.write(readings(NOW_MS - 5 * HOUR_MS, 6))
    upkeep.work(NOW_MS + GRACE_MS)
    assert rolled(store) == 5  # the hour that has just begun waits
    store.write(readings(NOW_MS - 9 * HOUR_MS, 2))
    upkeep.work(NOW_MS + GRACE_MS + ROLL_UP_EVERY_MS - 1)
    assert rolled(store) == 5
    upkeep.work(NOW_MS + GRACE_MS + ROLL_UP_EVERY_MS)
    assert rolled(store) == 7
    store.close()


def test_a_clock_set_back_does_not_stop_it(tmp_path: Path) -> None:
    store = SqliteStore(tmp_path / "readings.db")
    upkeep = Housekeeping(store)
    upkeep.work(NOW_MS + 30 * DAY_MS)
    store.write(readings(NOW_MS - 5 * HOUR_MS, 3))
    upkeep.work(NOW_MS)
    assert rolled(store) == 3
    store.close()


def test_old_readings_go_and_their_hours_stay(tmp_path: Path) -> None:
    store = SqliteStore(tmp_path / "readings.db")
    store.write([*readings(NOW_MS - 20 * DAY_MS, 24), *readings(NOW_MS - DAY_MS, 24)])
    Housekeeping(store).work(NOW_MS + GRACE_MS)
    assert store.counts()["readings"] == 48
    Housekeeping(store, keep_days=7).work(NOW_MS + GRACE_MS)
    assert store.counts()["readings"] == 24
    assert rolled(store) == 48
    store.close()
