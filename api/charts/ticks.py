"""Where marks stand on an axis: round values, and local midnights through every change of clocks."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

from ingest.instants import from_datetime, to_datetime

#: A label on a time axis is thought to be no wider than this. [units]
DAY_LABEL = 118


def round_values(low: float, high: float, most: int) -> list[float]:
    """At most so many multiples of 1, 2, 2.5 or 5 times a power of ten, from `low` to `high`."""
    if high <= low:
        return [low]
    decade = 10.0 ** math.floor(math.log10((high - low) / most))
    for step in (decade * factor for factor in (1, 2, 2.5, 5, 10, 20, 25, 50, 100)):
        first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
        if last - first < most:
            return [round(number * step, 12) for number in range(first, last + 1)]
    raise AssertionError("a step of a hundredfold always fits")


def top_of(highest: float, least: float = 1.0) -> float:
    """A round value at or above the highest, for the end of an axis."""
    highest = max(highest, least)
    decade = 10.0 ** math.floor(math.log10(highest))
    return next(decade * factor for factor in (1, 1.5, 2, 3, 4, 5, 6, 8, 10) if decade * factor >= highest * (1 - 1e-9))


def midnights(start_ms: int, end_ms: int, zone: ZoneInfo) -> Iterator[int]:
    """The beginnings of local days in `(start, end]`. [UTC ms]

    Days are counted in local time, so a day of 23 or 25 hours is one day. Where the clocks skip
    midnight, the day begins at the instant of the change.
    """
    day = to_datetime(start_ms).astimezone(zone).date()
    while True:
        time_ms = from_datetime(datetime.combine(day, time(), zone))
        if time_ms > end_ms:
            return
        if time_ms > start_ms:
            yield time_ms
        day += timedelta(days=1)


def day_marks(start_ms: int, end_ms: int, zone: ZoneInfo, width: int) -> list[int]:
    """Every n-th local midnight, so that their labels fit side by side on an axis of that width. [UTC ms]"""
    nights = list(midnights(start_ms, end_ms, zone))
    every = max(1, math.ceil(len(nights) * DAY_LABEL / width))
    # The same days stay marked while the axis moves on by a day at a time.
    local_days = [to_datetime(night).astimezone(zone).toordinal() for night in nights]
    return [night for night, day in zip(nights, local_days, strict=True) if day % every == 0]
