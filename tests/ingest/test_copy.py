"""Copying readings between stores: everything arrives once, an interruption loses nothing, differences show."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from ingest.copy import Sum, copy_readings, summed
from ingest.errors import SettingsError, StoreUnavailable
from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS
from ingest.reading import OUT_OF_RANGE, TIME_OF_ARRIVAL, Reading, Reject
from ingest.store import readings
from ingest.store.influx import InfluxStore
from ingest.store.influx_place import parse_place
from ingest.store.readings import WriteResult
from ingest.store.sqlite import SqliteStore
from tests.ingest.store.influxd import Influxd

T = 1_772_366_400_000 - 1_772_366_400_000 % DAY_MS
END = T + 30 * DAY_MS
FLAGS = (0, 0, TIME_OF_ARRIVAL, OUT_OF_RANGE)


@pytest.fixture
def source(tmp_path: Path) -> Iterator[SqliteStore]:
    store = SqliteStore(tmp_path / "source.db")
    store.write(
        [
            Reading(site, T + i * MINUTE_MS, sensor, i / 7, FLAGS[i % 4])
            for site in ("skerrow-head", "tarn-orchard")
            for sensor in ("post-1/level", "post-1/battery")
            for i in range(300)
        ]
    )
    yield store
    store.close()


@pytest.fixture
def influxd(tmp_path: Path) -> Iterator[Influxd]:
    with Influxd(tmp_path) as server:
        yield server


class Breaks(SqliteStore):
    """Takes some writes, then is away until it is told otherwise."""

    left: float = 2

    def write(self, readings: Sequence[Reading], rejects: Sequence[Reject] = ()) -> WriteResult:
        if self.left <= 0:
            raise StoreUnavailable("away")
        self.left -= 1
        return super().write(readings, rejects)


def test_there_and_back_again_through_influxdb(source: SqliteStore, influxd: Influxd, tmp_path: Path) -> None:
    place = parse_place(influxd.location("there"), {})
    there = InfluxStore(place, tmp_path / "notes.db", writer=True)
    back = SqliteStore(tmp_path / "back.db")
    out = copy_readings(source, there, END, tmp_path / "out.json")
    home = copy_readings(there, back, END, tmp_path / "home.json")
    assert out.complete
    assert home.complete
    assert (out.moved, out.rejected) == (home.moved, home.rejected) == (1200, 0)
    assert out.source == out.target == home.source == home.target
    for site, sensor in source.series():
        assert back.range(site, sensor, 0, END, usable=False) == source.range(site, sensor, 0, END, usable=False)
    there.close()
    back.close()


def test_it_goes_on_where_it_was_interrupted(
    source: SqliteStore, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(readings, "PAGE", 100)
    target = Breaks(tmp_path / "target.db")
    with pytest.raises(StoreUnavailable):
        copy_readings(source, target, END, tmp_path / "state.json")
    assert target.counts()["readings"] == 200
    target.left = float("inf")
    told: list[tuple[str, str, int]] = []
    done = copy_readings(source, target, END, tmp_path / "state.json", lambda *at: told.append(at))
    assert (done.moved, done.complete) == (1000, True)
    assert told[0] == ("skerrow-head", "post-1/battery", 100)
    again = copy_readings(source, target, END, tmp_path / "state.json")
    assert (again.moved, again.complete) == (0, True)
    target.close()


def test_a_difference_shows_although_the_counts_agree(source: SqliteStore, tmp_path: Path) -> None:
    target = SqliteStore(tmp_path / "target.db")
    target.write([Reading("tarn-orchard", T, "post-1/level", 99.0)])  # the first wins: the copy does not replace it
    done = copy_readings(source, target, END, tmp_path / "state.json")
    assert done.source.readings == done.target.readings == 1200
    assert (done.complete, done.differing) == (False, [("tarn-orchard", "post-1/level")])
    target.close()


def test_only_what_is_dated_before_the_end_counts(source: SqliteStore, tmp_path: Path) -> None:
    target = SqliteStore(tmp_path / "target.db")
    done = copy_readings(source, target, T + 10 * MINUTE_MS, tmp_path / "state.json")
    assert (done.moved, done.complete) == (40, True)
    target.close()


def test_roll_ups_come_along_whose_readings_are_gone(source: SqliteStore, tmp_path: Path) -> None:
    source.roll_up(END)
    expected = source.aggregate("skerrow-head", "post-1/level", T, END, HOUR_MS, "mean")
    source.prune(T + 2 * HOUR_MS)
    target = SqliteStore(tmp_path / "target.db")
    done = copy_readings(source, target, END, tmp_path / "state.json")
    assert (done.moved, done.rollups, done.complete) == (720, 8, True)
    target.roll_up(END)
    assert target.aggregate("skerrow-head", "post-1/level", T, END, HOUR_MS, "mean") == expected
    target.close()


def test_the_checksum_knows_no_order_but_every_part(source: SqliteStore, tmp_path: Path) -> None:
    base = Reading("a", T, "d/x", 1.0, 0)
    sums = []
    changes: list[dict[str, object]] = [{}, {"value": 2.0}, {"flags": 1}, {"time_ms": T + 1}, {"sensor": "d/y"}]
    for number, change in enumerate(changes):
        store = SqliteStore(tmp_path / f"{number}.db")
        changed = base._replace(**change)  # type: ignore[arg-type]
        store.write([changed])
        sums.append(summed(store, "a", changed.sensor, END).checksum)
        store.close()
    assert len(set(sums)) == len(changes)
    assert Sum(1, 2**64 - 1) + Sum(1, 2) == Sum(2, 1)
    assert str(Sum(2, 1)) == "2 readings, checksum 0000000000000001"


def test_a_state_file_that_is_none_is_named(source: SqliteStore, tmp_path: Path) -> None:
    (tmp_path / "state.json").write_text("{broken")
    with pytest.raises(SettingsError, match="delete it to begin again"):
        copy_readings(source, source, END, tmp_path / "state.json")
