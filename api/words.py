"""Times, ages and figures as a person says them."""

from __future__ import annotations

from datetime import timedelta
from zoneinfo import ZoneInfo

from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS, to_datetime


def clock_time(time_ms: int, zone: ZoneInfo) -> str:
    """`Wed 25 Nov, 12:04`, local to the site."""
    local = to_datetime(time_ms).astimezone(zone)
    return f"{local:%a} {local.day} {local:%b}, {local:%H:%M}"


def day_after(time_ms: int, zone: ZoneInfo) -> str:
    """The local day after the one that holds the instant: what happens then happens before this day."""
    local = to_datetime(time_ms).astimezone(zone) + timedelta(days=1)
    return f"{local:%a} {local.day} {local:%B}"


def duration(span_ms: int) -> str:
    """A length of time in its one fitting unit, rounded down: `35 minutes`, `26 hours`, `3 days`."""
    if span_ms < MINUTE_MS:
        return "less than a minute"
    for unit_ms, name, until in ((MINUTE_MS, "minute", 2 * HOUR_MS), (HOUR_MS, "hour", 2 * DAY_MS)):
        if span_ms < until:
            return count(span_ms // unit_ms, name)
    return count(span_ms // DAY_MS, "day")


def count(number: int, name: str) -> str:
    """`1 day`, `2 days`."""
    return f"{number} {name}" if number == 1 else f"{number:,} {name}s"


def litres(volume_l: float) -> str:
    """A volume to the figures that a level sensor supports: `2,130 L`, `84 L`."""
    step = 10 if abs(volume_l) >= 1_000 else 1
    return f"{round(volume_l / step) * step:,} L"


def percent(share: float) -> str:
    """`59 %`, rounded to the nearest."""
    return f"{round(100 * share)} %"


def chance(probability: float) -> str:
    """`less than one chance in a hundred`, `about 4 chances in 100`, `about 7 chances in 10`."""
    if probability < 0.01:
        return "less than one chance in a hundred"
    if probability > 0.99:
        return "nearly certain"
    if probability < 0.1:
        return f"about {count(round(100 * probability), 'chance')} in 100"
    tenths = round(10 * probability)
    return f"about {count(tenths, 'chance')} in 10" if tenths < 10 else "more than 9 chances in 10"


def listed(names: list[str]) -> str:
    """`level`, `level and battery`, `level, battery and rain-total`."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
