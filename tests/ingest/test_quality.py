"""Flags: range, clock, commissioning, rate of change, stuck. Thresholds: common practice, no source."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS, from_datetime
from ingest.quality import Checks, Limits, Rate, RateState, StuckState, judge_rate, judge_stuck, limits_of, plain_flags
from ingest.reading import (
    AHEAD_OF_CLOCK,
    BEFORE_COMMISSIONING,
    FAST_CHANGE,
    GOOD,
    OUT_OF_RANGE,
    STUCK,
    TIME_OF_ARRIVAL,
    Reading,
)
from ingest.site import Site

NOW = 1_772_366_400_000
RATE = Rate(per_h=1.0, slack=0.1)


@pytest.mark.parametrize(
    ("value", "flags"), [(-0.06, OUT_OF_RANGE), (-0.05, GOOD), (1.8, GOOD), (1.97, GOOD), (1.99, OUT_OF_RANGE)]
)
def test_a_level_above_the_brim_and_a_tenth_is_out_of_range(skerrow_head: Site, value: float, flags: int) -> None:
    limits = limits_of(skerrow_head, skerrow_head.sensor[0])  # brim at 1.80 m
    assert plain_flags(NOW, value, limits, NOW) == flags


def test_the_site_file_narrows_the_range(skerrow_head: Site) -> None:
    sensor = skerrow_head.sensor[0].model_copy(update={"low": 0.1, "high": 1.5})
    assert limits_of(skerrow_head, sensor)[:2] == (0.1, 1.5)


def test_a_low_tank_gets_at_least_a_decimetre(tarn_orchard: Site) -> None:
    low = tarn_orchard.tank[0].model_copy(update={"overflow_height_m": 0.5})
    site = tarn_orchard.model_copy(update={"tank": [low, tarn_orchard.tank[1]]})
    assert limits_of(site, site.sensor[0]).high == pytest.approx(0.6)


def test_five_minutes_ahead_of_the_clock_are_allowed() -> None:
    limits = Limits(0, 1)
    assert plain_flags(NOW + 5 * MINUTE_MS, 0.5, limits, NOW) == GOOD
    assert plain_flags(NOW + 5 * MINUTE_MS + 1, 0.5, limits, NOW) == AHEAD_OF_CLOCK


def test_before_commissioning(skerrow_head: Site) -> None:
    begun = datetime(2026, 1, 1, tzinfo=UTC)
    site = skerrow_head.model_copy(update={"commissioned": begun})
    limits = limits_of(site, site.sensor[0])
    assert plain_flags(from_datetime(begun) - 1, 1.0, limits, NOW) == BEFORE_COMMISSIONING
    assert plain_flags(from_datetime(begun), 1.0, limits, NOW) == GOOD


def test_a_spike_is_doubted_and_what_follows_is_not() -> None:
    state, flags = judge_rate(None, 0, 1.0, RATE)
    state, spike = judge_rate(state, MINUTE_MS, 5.0, RATE)
    state, after = judge_rate(state, 2 * MINUTE_MS, 1.0, RATE)
    assert (flags, spike, after) == (GOOD, FAST_CHANGE, GOOD)
    assert state == RateState(2 * MINUTE_MS, 1.0)


def test_a_step_is_believed_once_it_is_confirmed() -> None:
    state, _ = judge_rate(None, 0, 1.0, RATE)
    state, first = judge_rate(state, MINUTE_MS, 2.0, RATE)
    state, second = judge_rate(state, 2 * MINUTE_MS, 2.05, RATE)
    assert (first, second) == (FAST_CHANGE, GOOD)
    assert state == RateState(2 * MINUTE_MS, 2.05)


def test_a_long_gap_allows_a_large_change() -> None:
    state, _ = judge_rate(None, 0, 1.0, RATE)
    assert judge_rate(state, 2 * HOUR_MS, 3.0, RATE)[1] == GOOD


def test_the_past_is_not_judged_and_changes_nothing() -> None:
    state, _ = judge_rate(None, HOUR_MS, 1.0, RATE)
    assert judge_rate(state, HOUR_MS - 1, 9.0, RATE) == (state, GOOD)
    doubted = RateState(0, 1.0, 2 * MINUTE_MS, 5.0)
    assert judge_rate(doubted, MINUTE_MS, 5.0, RATE) == (doubted, FAST_CHANGE)
    stuck = StuckState(1.0, 0, HOUR_MS, 5)
    assert judge_stuck(stuck, HOUR_MS, 2.0) == (stuck, GOOD)


def test_stuck_after_a_day_and_two_dozen_readings() -> None:
    state, flags = None, []
    for hour in range(26):
        state, flag = judge_stuck(state, hour * HOUR_MS, 1.234)
        flags.append(flag)
    assert flags == [GOOD] * 24 + [STUCK] * 2
    assert judge_stuck(state, DAY_MS * 2, 1.235)[1] == GOOD


def test_few_equal_readings_are_not_stuck() -> None:
    state, _ = judge_stuck(None, 0, 1.0)
    assert judge_stuck(state, 3 * DAY_MS, 1.0)[1] == GOOD


def test_a_doubtful_reading_is_no_part_of_the_past(skerrow_head: Site) -> None:
    checks = Checks({skerrow_head.id: skerrow_head})

    def flag(time_ms: int, value: float) -> int:
        return checks.flag([Reading("skerrow-head", time_ms, "post-1/level", value)], NOW)[0].flags

    assert flag(NOW - HOUR_MS, 1.0) == GOOD
    assert flag(NOW + 74 * 365 * DAY_MS, 1.0) == AHEAD_OF_CLOCK  # in 2100
    assert flag(NOW - 50 * MINUTE_MS, 25.0) == OUT_OF_RANGE
    assert flag(NOW - 49 * MINUTE_MS, 1.5) == GOOD
    assert flag(NOW - 49 * MINUTE_MS + 1000, 0.2) == FAST_CHANGE


def test_flags_are_added_and_what_has_no_limits_passes(skerrow_head: Site) -> None:
    checks = Checks({skerrow_head.id: skerrow_head})
    status = Reading("skerrow-head", NOW, "post-1/status", 1.0, TIME_OF_ARRIVAL)
    deep = Reading("skerrow-head", NOW, "post-1/level", 3.0, TIME_OF_ARRIVAL)
    assert checks.flag([status, deep], NOW) == [status, deep._replace(flags=TIME_OF_ARRIVAL | OUT_OF_RANGE)]


def test_a_voltage_may_jump_and_a_total_without_noise_may_stand(skerrow_head: Site) -> None:
    checks = Checks({skerrow_head.id: skerrow_head})
    volts = [Reading("skerrow-head", NOW - 1000 + i, "post-1/battery", 11.0 + 2 * i) for i in range(2)]
    total = [Reading("skerrow-head", NOW - i * HOUR_MS, "post-1/taps-total", 5.0) for i in range(50, 0, -1)]
    assert checks.flag(volts + total, NOW) == volts + total
