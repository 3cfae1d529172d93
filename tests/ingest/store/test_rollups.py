"""Hourly roll-ups, late readings and retention, as every reading store promises them (see conftest.py)."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest

from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS
from ingest.reading import OUT_OF_RANGE, Reading
from ingest.store.readings import Aggregate, Bucket, Rollup, RollupStore
from tests.ingest.store.conftest import Kind

T = 1_772_366_400_000 - 1_772_366_400_000 % DAY_MS
SENSOR = "post-1/level"


def level(offset_ms: int, value: float, flags: int = 0, *, sensor: str = SENSOR) -> Reading:
    return Reading("a", T + offset_ms, sensor, value, flags)


def hours(store: RollupStore, fn: Aggregate = "mean", every_ms: int = HOUR_MS) -> list[Bucket]:
    return store.aggregate("a", SENSOR, T - 30 * DAY_MS, T + 30 * DAY_MS, every_ms, fn)


def test_a_roll_up_holds_the_usable_readings_of_the_hours_that_ended(store: RollupStore) -> None:
    store.write([level(5, 1.0), level(0, 3.0), level(9, 2.0), level(6, 99.0, OUT_OF_RANGE), level(HOUR_MS, 7.0)])
    assert store.rollups("a", SENSOR, T, T + DAY_MS) == []
    assert store.roll_up(T + 2 * HOUR_MS - 1) == 1
    first = Rollup(T, 3, 2.0, 1.0, 3.0, 3.0, 2.0)
    assert store.rollups("a", SENSOR, T, T + DAY_MS) == [first]
    assert store.roll_up(T + 2 * HOUR_MS) == 1
    assert store.rollups("a", SENSOR, T, T + DAY_MS) == [first, Rollup(T + HOUR_MS, 1, 7.0, 7.0, 7.0, 7.0, 7.0)]
    assert store.rollups("a", SENSOR, T + 1, T + HOUR_MS) == []
    assert store.roll_up(T + DAY_MS) == 0


def test_a_late_reading_is_seen_at_once_and_rolled_up_again(store: RollupStore) -> None:
    store.write([level(0, 1.0), level(HOUR_MS, 5.0), level(2 * HOUR_MS, 6.0)])
    store.roll_up(T + DAY_MS)
    store.write([level(HOUR_MS + 1, 7.0)])
    told = [Bucket(T, 1.0, 1), Bucket(T + HOUR_MS, 6.0, 2), Bucket(T + 2 * HOUR_MS, 6.0, 1)]
    assert hours(store) == told
    assert store.rollups("a", SENSOR, T + HOUR_MS, T + HOUR_MS + 1)[0].readings == 1
    assert store.roll_up(T + DAY_MS) == 1
    assert hours(store) == told
    assert store.rollups("a", SENSOR, T + HOUR_MS, T + HOUR_MS + 1)[0].readings == 2


def test_marks_outlive_a_restart(open_store: Callable[[], RollupStore]) -> None:
    first = open_store()
    first.write([level(0, 1.0)])
    first.close()
    again = open_store()
    assert again.roll_up(T + HOUR_MS) == 1
    assert len(again.rollups("a", SENSOR, T, T + 1)) == 1


@pytest.mark.parametrize("fn", ["mean", "min", "max", "first", "last", "count"])
def test_roll_ups_change_no_figure(store: RollupStore, fn: Aggregate) -> None:
    """Whatever is rolled up, marked again or cut by the ends of the range: the same as from the readings."""
    rng = random.Random(7)
    written = [
        level(rng.randrange(3 * DAY_MS), rng.uniform(0, 2), rng.choice([0, 0, 0, OUT_OF_RANGE])) for _ in range(500)
    ]
    written = list({reading.time_ms: reading for reading in written}.values())
    store.write(written[:300])
    store.roll_up(T + 2 * DAY_MS)
    store.write(written[300:])
    for start_ms, end_ms, every_ms in [
        (T, T + 3 * DAY_MS, HOUR_MS),
        (T + 20 * MINUTE_MS, T + 3 * DAY_MS - 20 * MINUTE_MS, 6 * HOUR_MS),
        (T + 50 * MINUTE_MS, T + 70 * MINUTE_MS, HOUR_MS),
        (T + 10 * MINUTE_MS, T + 50 * MINUTE_MS, HOUR_MS),
        (0, 10 * T, DAY_MS),
    ]:
        expected: dict[int, list[float]] = {}
        for reading in sorted(written, key=lambda one: one.time_ms):
            if reading.usable and start_ms <= reading.time_ms < end_ms:
                expected.setdefault(reading.time_ms - reading.time_ms % every_ms, []).append(reading.value)
        figure: dict[Aggregate, Callable[[list[float]], float]] = {
            "mean": lambda held: sum(held) / len(held), "min": min, "max": max,
            "first": lambda held: held[0], "last": lambda held: held[-1], "count": len,
        }  # fmt: skip
        buckets = store.aggregate("a", SENSOR, start_ms, end_ms, every_ms, fn)
        assert [(b.start_ms, b.readings) for b in buckets] == [(start, len(held)) for start, held in expected.items()]
        assert [b.value for b in buckets] == pytest.approx([figure[fn](held) for held in expected.values()], rel=1e-12)


def test_old_readings_go_and_their_roll_ups_stay(store: RollupStore) -> None:
    store.write([level(h * HOUR_MS + m * MINUTE_MS, h + m / 60) for h in range(48) for m in (0, 30)])
    store.write([level(MINUTE_MS, 99.0, OUT_OF_RANGE)])
    store.roll_up(T + 3 * DAY_MS)
    before = hours(store)
    assert store.prune(T + DAY_MS + 1) == 49
    assert store.counts()["readings"] == 48
    assert store.range("a", SENSOR, 0, 10 * T)[0].time_ms == T + DAY_MS
    assert hours(store) == before
    assert hours(store, "count", DAY_MS) == [Bucket(T, 48.0, 48), Bucket(T + DAY_MS, 48.0, 48)]
    assert store.prune(T + DAY_MS) == 0
    assert store.latest("a", T + 3 * DAY_MS)[SENSOR].value == 47.5


def test_an_hour_that_is_not_rolled_up_is_kept(store: RollupStore) -> None:
    store.write([level(0, 1.0), level(HOUR_MS, 2.0)])
    assert store.prune(T + DAY_MS) == 0
    store.roll_up(T + DAY_MS)
    store.write([level(1, 3.0)])  # late: the roll-up of its hour is not done
    assert store.prune(T + DAY_MS) == 1
    assert [reading.value for reading in store.range("a", SENSOR, 0, 10 * T)] == [1.0, 3.0]
    assert store.roll_up(T + DAY_MS) == 1
    assert hours(store) == [Bucket(T, 2.0, 2), Bucket(T + HOUR_MS, 2.0, 1)]
    assert store.prune(T + DAY_MS) == 2


def test_a_straggler_does_not_stand_for_an_hour_whose_readings_are_gone(store: RollupStore) -> None:
    store.write([level(m * MINUTE_MS, 1.0) for m in range(60)])
    store.roll_up(T + DAY_MS)
    store.prune(T + DAY_MS)
    store.write([level(1, 50.0), level(-HOUR_MS, 4.0)])
    store.roll_up(T + DAY_MS)
    assert hours(store) == [Bucket(T - HOUR_MS, 4.0, 1), Bucket(T, 1.0, 60)]


def test_other_sensors_are_left_alone(store: RollupStore) -> None:
    store.write([level(0, 1.0), level(0, 9.0, sensor="post-1/battery")])
    store.roll_up(T + DAY_MS)
    store.write([level(1, 3.0)])
    assert store.roll_up(T + DAY_MS) == 1
    assert [rollup.mean for rollup in store.rollups("a", "post-1/battery", T, T + 1)] == [9.0]
    assert store.series() == [("a", "post-1/battery"), ("a", SENSOR)]


def test_roll_ups_from_elsewhere_are_taken_over_but_replace_none(store: RollupStore) -> None:
    store.write([level(HOUR_MS, 1.0)])
    store.roll_up(T + DAY_MS)
    foreign = [Rollup(T + h * HOUR_MS, 60, 2.0, 1.0, 3.0, 1.5, 2.5) for h in range(2)]
    store.adopt("a", SENSOR, foreign)
    assert hours(store) == [Bucket(T, 2.0, 60), Bucket(T + HOUR_MS, 1.0, 1)]
    assert store.rollups("a", SENSOR, T, T + 1) == foreign[:1]
    store.write([level(1, 50.0)])  # nor does a straggler replace one of them
    store.roll_up(T + DAY_MS)
    assert hours(store)[0] == Bucket(T, 2.0, 60)


def test_a_reading_that_became_suspect_leaves_its_roll_up(store: RollupStore, kind: Kind) -> None:
    store.write([level(0, 1.0), level(HOUR_MS, 5.0)])
    store.roll_up(T + DAY_MS)
    store.write([level(0, 1.0, OUT_OF_RANGE), level(1, 2.0, OUT_OF_RANGE)])
    store.roll_up(T + DAY_MS)
    kept = [Bucket(T, 1.0, 1)] if kind.first_wins else []
    assert hours(store) == [*kept, Bucket(T + HOUR_MS, 5.0, 1)]
