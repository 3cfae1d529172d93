from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from api.pages.measured import QUARTER_MS, amounts, by_day, slot_ms, whole_days
from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS, from_rfc3339
from ingest.reading import Reading
from ingest.site import Site
from tests.api.fakes import NOW_MS, MemoryReadings

SITE = "skerrow-head"
NOON_MS = from_rfc3339("2026-11-25T12:00:00Z")


def total(readings: MemoryReadings, name: str, start_ms: int, end_ms: int, l_h: float, every_ms: int) -> None:
    times = range(start_ms, end_ms + 1, every_ms)
    readings.write([Reading(SITE, at, f"post-1/{name}", l_h * (at - start_ms) / HOUR_MS) for at in times])


def test_a_running_total_gives_every_hour_up_to_now(skerrow_head: Site, readings: MemoryReadings) -> None:
    total(readings, "taps-total", NOON_MS - DAY_MS, NOW_MS, 6.0, 5 * MINUTE_MS)
    found = amounts(skerrow_head, readings, "draw.taps", NOON_MS - 3 * HOUR_MS, NOON_MS)
    assert found == pytest.approx({NOON_MS - n * HOUR_MS: 6.0 for n in (1, 2, 3)})


def test_a_rate_gives_its_hourly_mean(skerrow_head: Site, readings: MemoryReadings) -> None:
    readings.write([Reading(SITE, NOON_MS - n * 10 * MINUTE_MS, "post-1/irrigation-flow", 90.0) for n in range(1, 13)])
    found = amounts(skerrow_head, readings, "draw.irrigation", NOON_MS - 4 * HOUR_MS, NOON_MS)
    assert found == {NOON_MS - HOUR_MS: 90.0, NOON_MS - 2 * HOUR_MS: 90.0}
    quarters = amounts(skerrow_head, readings, "draw.irrigation", NOON_MS - 4 * HOUR_MS, NOON_MS, QUARTER_MS)
    assert len(quarters) == 8
    assert sum(quarters.values()) == 180.0


def test_what_has_no_meter_or_was_never_heard_is_absent(skerrow_head: Site, readings: MemoryReadings) -> None:
    assert amounts(skerrow_head, readings, "roof.ringing-hut", NOON_MS - DAY_MS, NOON_MS) == {}
    assert amounts(skerrow_head, readings, "draw.taps", NOON_MS - DAY_MS, NOON_MS) == {}


# Days of the changes: the time zone database (IANA tzdata), through zoneinfo.
@pytest.mark.parametrize(
    ("now", "zone", "hours"),
    [
        ("2026-10-26T09:00:00Z", "Europe/London", [24, 25]),
        ("2026-03-30T09:00:00Z", "Europe/London", [24, 23]),
        ("2026-06-10T09:00:00Z", "Asia/Kolkata", [24, 24]),
        ("2026-04-06T09:00:00Z", "Australia/Lord_Howe", [24, 24.5]),
    ],
)
def test_a_day_sums_its_own_hours_through_every_change_of_clocks(now: str, zone: str, hours: list[float]) -> None:
    now_ms = from_rfc3339(now)
    nights = whole_days(2, now_ms, ZoneInfo(zone))
    every_ms = slot_ms(nights, ZoneInfo(zone))
    by_slot = dict.fromkeys(range(nights[0], nights[-1], every_ms), 2.0 * every_ms / HOUR_MS)
    assert by_day(by_slot, every_ms, nights) == [2.0 * length for length in hours]


def test_a_day_with_an_unmeasured_hour_has_no_sum() -> None:
    nights = whole_days(2, NOW_MS, ZoneInfo("Europe/London"))
    by_slot = {at: 1.0 for at in range(nights[0], nights[-1], HOUR_MS) if at != nights[1] + 5 * HOUR_MS}
    assert by_day(by_slot, HOUR_MS, nights) == [24.0, None]


def test_slots_are_quarters_only_where_days_begin_between_hours() -> None:
    nights = whole_days(3, NOW_MS, ZoneInfo("UTC"))
    assert slot_ms(nights, ZoneInfo("Europe/London")) == HOUR_MS
    assert slot_ms(nights, ZoneInfo("Asia/Kathmandu")) == QUARTER_MS


def test_an_hour_that_has_just_ended_is_there_before_the_next_reading(
    skerrow_head: Site, readings: MemoryReadings
) -> None:
    total(readings, "taps-total", NOON_MS - DAY_MS, NOON_MS - 5 * MINUTE_MS, 6.0, 5 * MINUTE_MS)
    found = amounts(skerrow_head, readings, "draw.taps", NOON_MS - 2 * HOUR_MS, NOON_MS + 1)
    assert found == pytest.approx({NOON_MS - 2 * HOUR_MS: 6.0, NOON_MS - HOUR_MS: 5.5})
