"""What every reading store promises, whatever it is built on (see conftest.py)."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS
from ingest.reading import AHEAD_OF_CLOCK, FAST_CHANGE, OUT_OF_RANGE, TIME_OF_ARRIVAL, Reading, Reject
from ingest.store import readings
from ingest.store.readings import Aggregate, Bucket, ReadingStore, pages
from tests.ingest.store.conftest import Kind

T = 1_772_366_400_000 - 1_772_366_400_000 % DAY_MS


def level(offset_ms: int, value: float, flags: int = 0, *, sensor: str = "post-1/level", site: str = "a") -> Reading:
    return Reading(site, T + offset_ms, sensor, value, flags)


def all_of(store: ReadingStore, sensor: str = "post-1/level", site: str = "a") -> list[Reading]:
    return store.range(site, sensor, 0, 10 * T, usable=False)


def test_what_is_written_is_read(store: ReadingStore) -> None:
    written = [level(0, 1.25), level(1, 1.3, TIME_OF_ARRIVAL), level(2, 99.0, OUT_OF_RANGE)]
    assert store.write(written) == (3, [])
    assert all_of(store) == written


def test_it_is_still_there_after_reopening(open_store: Callable[[], ReadingStore]) -> None:
    first = open_store()
    first.write([level(0, 1.0)], [Reject(T, "t", "why", b"x")])
    first.close()
    again = open_store()
    assert all_of(again) == [level(0, 1.0)]
    assert again.latest("a", T) == {"post-1/level": level(0, 1.0)}
    assert kept(again) == [Reject(T, "t", "why", b"x")]


def test_writing_twice_stores_once_and_one_of_two_wins(store: ReadingStore, kind: Kind) -> None:
    store.write([level(0, 1.0)])
    assert store.write([level(0, 2.0), level(0, 3.0), level(1, 4.0)]).accepted == 3
    assert all_of(store) == [level(0, 1.0 if kind.first_wins else 3.0), level(1, 4.0)]
    assert store.counts()["readings"] == 2


def test_the_latest_is_of_the_copy_that_won(store: ReadingStore, kind: Kind) -> None:
    store.write([level(0, 1.0), level(5, 9.0, FAST_CHANGE)])
    store.write([level(5, 9.0)])
    newest = level(0, 1.0) if kind.first_wins else level(5, 9.0)
    assert store.latest("a", T + DAY_MS) == {"post-1/level": newest}


def test_a_copy_that_lost_does_not_hide_an_older_latest(store: ReadingStore, kind: Kind) -> None:
    store.write([level(5, 9.0, FAST_CHANGE)])
    store.write([level(0, 1.0), level(5, 9.0)])
    newest = level(0, 1.0) if kind.first_wins else level(5, 9.0)
    assert store.latest("a", T + DAY_MS) == {"post-1/level": newest}


def test_sites_and_sensors_are_kept_apart(store: ReadingStore) -> None:
    readings = [level(0, 1.0), level(0, 2.0, site="b"), level(0, 3.0, sensor="post-1/battery")]
    store.write(readings)
    assert all_of(store) == readings[:1]
    assert all_of(store, site="b") == readings[1:2]
    assert store.latest("a", T) == {"post-1/level": readings[0], "post-1/battery": readings[2]}
    assert all_of(store, site="c") == []
    assert store.latest("c", T) == {}


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_a_value_that_is_none_is_refused_alone(store: ReadingStore, value: float) -> None:
    result = store.write([level(0, 1.0), level(1, value), level(2, 2.0)])
    assert result.accepted == 2
    assert [reject.topic for reject in result.rejected] == ["a/post-1/level"]
    assert kept(store) == result.rejected
    assert all_of(store) == [level(0, 1.0), level(2, 2.0)]


def test_a_range_is_half_open_in_order_and_limited(store: ReadingStore) -> None:
    store.write([level(i, float(i)) for i in (4, 1, 3, 0, 2)])
    assert [reading.value for reading in store.range("a", "post-1/level", T + 1, T + 4)] == [1.0, 2.0, 3.0]
    assert [reading.value for reading in store.range("a", "post-1/level", T, T + 9, limit=2)] == [0.0, 1.0]


def test_a_range_leaves_the_suspect_out_unless_asked(store: ReadingStore) -> None:
    store.write([level(0, 1.0), level(1, 9.0, OUT_OF_RANGE), level(2, 2.0, TIME_OF_ARRIVAL)])
    assert [reading.value for reading in store.range("a", "post-1/level", T, T + 9)] == [1.0, 2.0]


@pytest.mark.parametrize("count", [4, 5, 6])
def test_pages_bring_everything_however_much_it_is(
    store: ReadingStore, count: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(readings, "PAGE", 3)
    written = [level(offset, float(offset), OUT_OF_RANGE if offset == 1 else 0) for offset in range(count)]
    store.write(written)
    found = [reading for page in pages(store, "a", "post-1/level", 0, 10 * T) for reading in page]
    assert found == [reading for reading in written if reading.usable]
    assert [
        reading for page in pages(store, "a", "post-1/level", 0, 10 * T, usable=False) for reading in page
    ] == written


def test_a_late_old_reading_is_not_the_latest(store: ReadingStore) -> None:
    store.write([level(HOUR_MS, 1.0)])
    store.write([level(0, 2.0)])
    assert store.latest("a", T + DAY_MS)["post-1/level"].value == 1.0


def test_a_reading_of_the_year_2100_is_never_the_latest(store: ReadingStore) -> None:
    store.write([level(0, 1.0), level(74 * 365 * DAY_MS, 2.0, AHEAD_OF_CLOCK)])
    store.write([level(74 * 365 * DAY_MS + 1, 3.0)])  # not even an unflagged one
    assert store.latest("a", T + HOUR_MS) == {"post-1/level": level(0, 1.0)}


def test_the_latest_of_any_past_moment(store: ReadingStore) -> None:
    store.write([level(i * MINUTE_MS, float(i)) for i in range(10)] + [level(3 * MINUTE_MS + 1, 99.0, OUT_OF_RANGE)])
    assert store.latest("a", T + 4 * MINUTE_MS - 1)["post-1/level"].value == 3.0
    assert store.latest("a", T + 3 * MINUTE_MS)["post-1/level"].value == 3.0
    assert store.latest("a", T - 1) == {}


@pytest.mark.parametrize(
    ("fn", "values"),
    [
        ("mean", [2.0, 7.0]), ("min", [1.0, 7.0]), ("max", [3.0, 7.0]),
        ("first", [3.0, 7.0]), ("last", [2.0, 7.0]), ("count", [3.0, 1.0]),
    ],
)  # fmt: skip
def test_aggregates_by_interval_and_an_empty_one_is_absent(
    store: ReadingStore, fn: Aggregate, values: list[float]
) -> None:
    store.write([level(5, 1.0), level(0, 3.0), level(9, 2.0), level(6, 99.0, OUT_OF_RANGE), level(2 * HOUR_MS, 7.0)])
    buckets = store.aggregate("a", "post-1/level", T, T + DAY_MS, HOUR_MS, fn)
    assert buckets == [Bucket(T, values[0], 3), Bucket(T + 2 * HOUR_MS, values[1], 1)]


def test_an_aggregate_is_aligned_to_the_epoch_and_half_open(store: ReadingStore) -> None:
    store.write([level(i * MINUTE_MS, float(i)) for i in range(120)])
    start, end = T + 30 * MINUTE_MS, T + 61 * MINUTE_MS
    buckets = store.aggregate("a", "post-1/level", start, end, HOUR_MS, "count")
    assert buckets == [Bucket(T, 30.0, 30), Bucket(T + HOUR_MS, 1.0, 1)]


def kept(store: ReadingStore) -> list[Reject]:
    """The rejects without the numbers that the store gave them."""
    return [reject._replace(id=0) for reject in store.rejects()]


def test_rejects_newest_first_and_a_redelivered_one_once(store: ReadingStore) -> None:
    one, two = Reject(T, "t/1", "bad", b"\xff\x00"), Reject(T + 1, "t/2", "bad", b"x")
    store.write([], [one, two])
    assert kept(store) == [two, one]
    store.write([], [one._replace(time_ms=T + 2)])
    assert kept(store) == [one._replace(time_ms=T + 2), two]
    (newest,) = store.rejects(limit=1)
    assert newest._replace(id=0) == one._replace(time_ms=T + 2)
    assert [reject._replace(id=0) for reject in store.rejects(before=(newest.time_ms, newest.id))] == [two]
    assert store.counts() == {"readings": 0, "rejects": 2}


def test_a_long_payload_is_cut(store: ReadingStore) -> None:
    store.write([], [Reject(T, "t", "bad", b"x" * 100_000)])
    assert store.rejects()[0].payload == b"x" * 4096


def test_nothing_is_written_by_an_empty_batch(store: ReadingStore) -> None:
    assert store.write([]) == (0, [])
    assert store.counts() == {"readings": 0, "rejects": 0}
    store.ping()


def test_threads_may_read_while_one_writes(store: ReadingStore, kind: Kind) -> None:
    def write(batch: int) -> None:
        store.write([level(batch * 100 + i, float(batch)) for i in range(100)])

    def read(_: int) -> int:
        return len(all_of(store))

    with ThreadPoolExecutor(8) as pool:
        writes = [pool.submit(write, batch) for batch in range(20)]
        sizes = list(pool.map(read, range(40)))
        for done in writes:
            done.result()
    if kind.atomic:
        assert all(size % 100 == 0 for size in sizes)  # a batch is seen whole or not at all
    assert len(all_of(store)) == 2000


_numbers = itertools.count()
_readings = st.lists(
    st.builds(
        level,
        st.integers(0, 20),
        st.floats(-5, 5),
        st.sampled_from([0, OUT_OF_RANGE, TIME_OF_ARRIVAL]),
        sensor=st.sampled_from(["d/x", "d/y"]),
        site=st.sampled_from(["p", "q"]),
    ),
    max_size=12,
)


@given(batches=st.lists(_readings, max_size=4), until=st.integers(0, 20))
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_it_agrees_with_a_dictionary(store: ReadingStore, kind: Kind, batches: list[list[Reading]], until: int) -> None:
    number = next(_numbers)
    oracle: dict[tuple[str, str, int], Reading] = {}
    for batch in batches:
        # Each example has sites of its own in the one store.
        own = [reading._replace(site=f"{reading.site}-{number}") for reading in batch]
        store.write(own)
        for reading in own:
            key = (reading.site, reading.sensor, reading.time_ms)
            oracle[key] = oracle.get(key, reading) if kind.first_wins else reading
    for site in (f"p-{number}", f"q-{number}"):
        mine = sorted(reading for reading in oracle.values() if reading.site == site)
        for sensor in ("d/x", "d/y"):
            assert all_of(store, sensor, site) == [reading for reading in mine if reading.sensor == sensor]
        newest = {reading.sensor: reading for reading in mine if reading.usable and reading.time_ms <= T + until}
        assert store.latest(site, T + until) == newest
