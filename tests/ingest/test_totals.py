"""Increments of running totals."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.reading import OUT_OF_RANGE, Reading
from ingest.totals import Increment, amounts, increments, spread


def series(*points: tuple[int, float]) -> list[Reading]:
    return [Reading("s", time, "d/total", value) for time, value in points]


def test_increments_survive_a_gap_and_disorder() -> None:
    assert increments(series((60, 107.5), (0, 100.0), (10, 102.5), (10, 102.5))) == [
        Increment(0, 10, 2.5),
        Increment(10, 60, 5.0),
    ]


def test_a_reset_begins_anew_and_says_so() -> None:
    assert increments(series((0, 1000.0), (10, 30.0), (20, 35.0))) == [
        Increment(0, 10, 30.0, reset=True),
        Increment(10, 20, 5.0),
    ]


def test_a_little_fall_is_rounding() -> None:
    found = increments(series((0, 1000.0), (10, 999.9), (20, 1001.0)))
    assert [increment.amount for increment in found] == [0.0, 1.0]
    assert not any(increment.reset for increment in found)


def test_suspect_readings_are_left_out() -> None:
    doubtful = Reading("s", 5, "d/total", 9e9, OUT_OF_RANGE)
    assert increments([*series((0, 1.0), (10, 2.0)), doubtful]) == [Increment(0, 10, 1.0)]


def test_one_reading_says_nothing() -> None:
    assert increments(series((0, 5.0))) == []
    assert increments([]) == []


def test_spreading_over_intervals() -> None:
    assert spread([Increment(50, 250, 20.0), Increment(250, 300, 1.0)], 100) == {0: 5.0, 100: 10.0, 200: 6.0}


def test_unknown_intervals_are_absent_and_known_zeros_are_there() -> None:
    assert spread(increments(series((0, 5.0), (100, 5.0))), 100) == {0: 0.0}


@given(st.lists(st.tuples(st.integers(0, 10**6), st.floats(0, 1e9)), max_size=30), st.integers(100, 10**5))
def test_never_negative_and_nothing_is_lost_in_spreading(points: list[tuple[int, float]], every: int) -> None:
    found = increments(series(*points))
    assert all(increment.amount >= 0 for increment in found)
    assert sum(spread(found, every).values()) == pytest.approx(
        sum(increment.amount for increment in found), rel=1e-6, abs=1e-6
    )


@given(
    st.lists(st.tuples(st.integers(1, 400), st.floats(-30.0, 60.0)), min_size=0, max_size=30),
    st.integers(0, 200),
)
def test_amounts_are_the_spread_of_the_increments(steps: list[tuple[int, float]], start: int) -> None:
    times = np.cumsum([0, *(step for step, _ in steps)])
    totals = np.maximum(0.0, np.cumsum([500.0, *(rise for _, rise in steps)]))
    expected = spread(increments(series(*zip(times.tolist(), totals.tolist(), strict=True))), 60)
    begin = start // 60 * 60
    found = amounts(times.astype(np.int64), totals, begin, 60, 40)
    for slot, amount in enumerate(found):
        known = expected.get(begin + 60 * slot)
        assert np.isnan(amount) if known is None else amount == pytest.approx(known, abs=1e-9)
