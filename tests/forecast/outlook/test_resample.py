"""From intervals to hours: totals are kept, finer wins, gaps stay gaps."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecast.outlook.delivery import Delivery, Intervals, check_delivery
from forecast.outlook.resample import between_instants, hourly_amounts, hourly_means, to_outlook
from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS, from_rfc3339

START_MS = from_rfc3339("2026-11-30T00:00:00Z")


def intervals(*rows: tuple[float, float, list[float]]) -> Intervals:
    """From (start, end, values), both in hours from START_MS."""
    return Intervals(
        np.array([START_MS + round(start * HOUR_MS) for start, _, _ in rows], dtype=np.int64),
        np.array([START_MS + round(end * HOUR_MS) for _, end, _ in rows], dtype=np.int64),
        np.array([values for _, _, values in rows], dtype=np.float64),
    )


@st.composite
def apart(draw: st.DrawFn) -> Intervals:
    """Intervals in minutes that do not overlap, in any order, with gaps, for two members."""
    cuts = sorted(draw(st.sets(st.integers(0, 3 * 24 * 60), min_size=2, max_size=30)))
    kept = [pair for pair in pairwise(cuts) if draw(st.booleans())] or [(cuts[0], cuts[1])]
    kept = draw(st.permutations(kept))
    amount = st.floats(0, 50, allow_nan=False)
    values = [[draw(amount), draw(amount)] for _ in kept]
    return Intervals(
        np.array([START_MS + start * MINUTE_MS for start, _ in kept], dtype=np.int64),
        np.array([START_MS + end * MINUTE_MS for _, end in kept], dtype=np.int64),
        np.array(values),
    )


@given(apart())
def test_millimetres_are_neither_made_nor_lost(given_intervals: Intervals) -> None:
    hourly = hourly_amounts(given_intervals, START_MS, 3 * 24)
    np.testing.assert_allclose(np.nansum(hourly, axis=0), given_intervals.values.sum(axis=0), rtol=1e-12, atol=1e-12)


@given(
    st.dictionaries(st.integers(0, 71), st.floats(0, 20), max_size=60),
    st.lists(st.floats(0, 40), min_size=12, max_size=12),
)
def test_a_coarse_interval_that_holds_finer_ones_keeps_its_total(fine: dict[int, float], more: list[float]) -> None:
    """Some hours and all six-hour totals, which exceed what the hours say: the totals come out, and the hours."""
    complete = [all(6 * six + hour in fine for hour in range(6)) for six in range(12)]
    totals = [
        sum(amount for hour, amount in fine.items() if hour // 6 == six) + (0.0 if complete[six] else more[six])
        for six in range(12)
    ]
    hourly = hourly_amounts(
        intervals(
            *[(hour, hour + 1, [amount]) for hour, amount in fine.items()],
            *[(6 * six, 6 * six + 6, [total]) for six, total in enumerate(totals)],
        ),
        START_MS,
        72,
    )
    np.testing.assert_allclose(hourly.reshape(12, 6).sum(axis=1), totals, rtol=1e-9, atol=1e-9)
    np.testing.assert_allclose([hourly[hour, 0] for hour in fine], list(fine.values()))


def test_finer_wins_and_the_rest_lies_on_what_it_leaves_uncovered() -> None:
    hourly = hourly_amounts(intervals((0, 6, [6.0]), (0, 1, [0.0]), (1, 2, [4.0])), START_MS, 6)
    np.testing.assert_allclose(hourly[:, 0], [0.0, 4.0, 0.5, 0.5, 0.5, 0.5])


def test_finer_that_hold_more_than_the_coarser_leave_it_nothing() -> None:
    hourly = hourly_amounts(intervals((0, 3, [1.0]), (0, 1, [2.0])), START_MS, 3)
    np.testing.assert_allclose(hourly[:, 0], [2.0, 0.0, 0.0])


def test_a_gap_is_unknown_not_dry() -> None:
    hourly = hourly_amounts(intervals((1, 2, [0.0]), (4, 5, [3.0])), START_MS, 6)
    np.testing.assert_array_equal(hourly[:, 0], [np.nan, 0.0, np.nan, np.nan, 3.0, np.nan])


def test_a_member_unknown_in_the_finer_gets_the_coarser() -> None:
    hourly = hourly_amounts(intervals((0, 1, [np.nan, 1.0]), (0, 2, [4.0, 4.0]), (2, 3, [np.nan, 2.0])), START_MS, 3)
    np.testing.assert_allclose(hourly, [[2.0, 1.0], [2.0, 3.0], [np.nan, 2.0]])


def test_only_the_part_within_the_hours_counts() -> None:
    hourly = hourly_amounts(intervals((-2, 4, [6.0])), START_MS, 2)
    np.testing.assert_allclose(hourly[:, 0], [1.0, 1.0])


def test_means_are_weighted_by_time() -> None:
    hourly = hourly_means(intervals((0, 0.25, [8.0]), (0, 2, [4.0])), START_MS, 3)
    np.testing.assert_allclose(hourly[:, 0], [5.0, 4.0, np.nan])


def test_instants_are_joined_by_lines_and_not_across_a_long_gap() -> None:
    times = START_MS + HOUR_MS * np.array([0, 1, 4, 40, 41], dtype=np.int64)
    hourly = hourly_means(between_instants(times, np.array([[2.0], [4.0], [10.0], [0.0], [2.0]])), START_MS, 41)
    np.testing.assert_allclose(hourly[:4, 0], [3.0, 5.0, 7.0, 9.0])
    assert np.isnan(hourly[4:40]).all()
    assert hourly[40, 0] == pytest.approx(1.0)


def test_an_outlook_spans_its_rain() -> None:
    rain = intervals((0.5, 1, [1.0]), (3, 6, [3.0]))
    outlook = to_outlook(Delivery(rain, "somebody", START_MS, temperature=intervals((1, 9, [5.0]))))
    assert (outlook.start_ms, outlook.end_ms) == (START_MS, START_MS + 6 * HOUR_MS)
    np.testing.assert_allclose(outlook.rain_mm[:, 0], [1.0, np.nan, np.nan, 1.0, 1.0, 1.0])
    assert outlook.temperature_c is not None
    np.testing.assert_allclose(outlook.temperature_c[:, 0], [np.nan, 5, 5, 5, 5, 5])


@pytest.mark.parametrize(
    ("delivery", "said"),
    [
        (Delivery(intervals((0, 1, [np.nan])), "x", 0), "no amount of rain"),
        (Delivery(intervals((0, 1, [0.0]), (1, 2, [-0.2])), "x", 0), "less than nothing"),
        (Delivery(intervals((0, 1, [401.0])), "x", 0), "is the unit mm"),
        (Delivery(intervals((0, 1, [0.0]), (24 * 70, 24 * 70 + 1, [0.0])), "x", 0), "spans 70 days"),
        (Delivery(intervals((0, 1, [0.0])), "x", 0, temperature=intervals((0, 1, [280.0]))), "280 °C"),
        (Delivery(intervals((0, 1, [0.0])), "x", 0, radiation=intervals((0, 1, [5000.0]))), "W/m²"),
    ],
)
def test_what_cannot_be_weather_is_refused(delivery: Delivery, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        check_delivery(delivery)


def test_an_outlook_is_laid_on_other_hours_with_nothing_known_beyond() -> None:
    outlook = to_outlook(Delivery(intervals((0, 1, [1.0]), (1, 2, [2.0])), "x", START_MS))
    np.testing.assert_array_equal(outlook.over(START_MS - HOUR_MS, 4).rain_mm[:, 0], [np.nan, 1.0, 2.0, np.nan])
    assert np.isnan(outlook.over(START_MS + DAY_MS, 2).rain_mm).all()
