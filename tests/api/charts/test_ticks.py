from __future__ import annotations

import itertools
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.charts.ticks import day_marks, midnights, round_values, top_of
from ingest.instants import DAY_MS, HOUR_MS, from_rfc3339, to_datetime


def hours_of_days(start: str, days: int, zone: str) -> list[float]:
    start_ms = from_rfc3339(start)
    nights = list(midnights(start_ms, start_ms + days * DAY_MS, ZoneInfo(zone)))
    return [(later - earlier) / HOUR_MS for earlier, later in itertools.pairwise(nights)]


# The days of the changes: the time zone database (IANA tzdata), through zoneinfo.
@pytest.mark.parametrize(
    ("start", "zone", "hours"),
    [
        ("2026-10-23T12:00:00Z", "Europe/London", [24, 25, 24]),
        ("2026-03-27T12:00:00Z", "Europe/London", [24, 23, 24]),
        ("2026-10-30T12:00:00Z", "America/Los_Angeles", [24, 25, 24]),
        ("2026-04-03T02:00:00Z", "Australia/Lord_Howe", [24, 24.5, 24]),
        ("2026-04-22T12:00:00Z", "Africa/Cairo", [24, 23, 24]),
        ("2026-06-01T12:00:00Z", "Asia/Kolkata", [24, 24, 24]),
    ],
)
def test_days_are_as_long_as_the_clocks_make_them(start: str, zone: str, hours: list[float]) -> None:
    assert hours_of_days(start, 4, zone) == hours


@pytest.mark.parametrize("zone", ["Asia/Kolkata", "Asia/Kathmandu", "Australia/Lord_Howe", "Pacific/Apia"])
def test_marks_stand_at_local_midnight_in_zones_of_odd_minutes(zone: str) -> None:
    start_ms = from_rfc3339("2026-06-01T12:00:00Z")
    for night in midnights(start_ms, start_ms + 5 * DAY_MS, ZoneInfo(zone)):
        local = to_datetime(night).astimezone(ZoneInfo(zone))
        assert (local.hour, local.minute, local.second) == (0, 0, 0)


def test_a_day_whose_midnight_is_skipped_begins_at_the_change() -> None:
    # In Cairo the clocks went from 24:00 on Thursday 23 April 2026 to 01:00 on Friday.
    start_ms = from_rfc3339("2026-04-23T12:00:00Z")
    night = next(midnights(start_ms, start_ms + DAY_MS, ZoneInfo("Africa/Cairo")))
    assert night == from_rfc3339("2026-04-23T22:00:00Z")
    assert to_datetime(night).astimezone(ZoneInfo("Africa/Cairo")).hour == 1


def test_only_as_many_days_are_marked_as_have_room_and_the_same_ones_tomorrow() -> None:
    zone, start_ms = ZoneInfo("Europe/London"), from_rfc3339("2026-10-20T10:00:00Z")
    today = day_marks(start_ms, start_ms + 21 * DAY_MS, zone, 560)
    tomorrow = day_marks(start_ms + DAY_MS, start_ms + 22 * DAY_MS, zone, 560)
    assert 3 <= len(today) <= 5
    assert len(set(today) & set(tomorrow)) >= len(today) - 1
    assert len(day_marks(start_ms, start_ms + 3 * DAY_MS, zone, 560)) == 3


@given(st.floats(-1e4, 1e4), st.floats(1e-3, 1e4), st.integers(2, 8))
def test_round_values_lie_within_and_are_few(low: float, span: float, most: int) -> None:
    values = round_values(low, low + span, most)
    assert len(values) <= most
    slack = 1e-6 * span
    assert all(low - slack <= value <= low + span + slack for value in values)


def test_round_values_are_what_a_person_would_write() -> None:
    assert round_values(0.0, 1.8, 5) == [0.0, 0.5, 1.0, 1.5]
    assert round_values(11.4, 13.3, 4) == [11.5, 12.0, 12.5, 13.0]
    assert round_values(0.0, 6000.0, 5) == [0.0, 2000.0, 4000.0, 6000.0]
    assert round_values(3.0, 3.0, 5) == [3.0]


@given(st.floats(0.0, 1e6))
def test_an_axis_ends_at_or_above_the_highest_and_not_far_above(highest: float) -> None:
    top = top_of(highest)
    assert highest <= top * (1 + 1e-9)
    assert top <= max(1.0, 1.6 * highest)
