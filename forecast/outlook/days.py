"""Daily rain laid on hours: which day of the site a stamp names, and at what hours its rain falls.

A day is a date of the site's own calendar. It must not matter how a record stamps it: a roof dries by
day and not by night, so rain laid on other hours loses another amount to wetting.
"""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from ingest.instants import HOUR_MS, from_datetime

Floats = npt.NDArray[np.float64]

#: Local time at which a day's rain begins, and how long it falls, evenly. [h] Of the spells that
#: `python -m tests.reference.daily_spread` tries, this one loses to wetting, and brings to the tanks, what comes
#: nearest to the hourly records that it was summed from, wherever the sun stands.
SPELL_BEGINS_H: Final = 12
SPELL_H: Final = 3


def named_day(stamp: datetime, zone: ZoneInfo) -> date:
    """The date at the site that the stamp of a day names.

    A midnight names the date that is written, whatever its offset, and so does a stamp without an offset. Any other
    hour is an instant, and names the date that it is then at the site.
    """
    if stamp.tzinfo is None or stamp.time() == time.min:
        return stamp.date()
    return stamp.astimezone(zone).date()


def first_hour_ms(day: date, zone: ZoneInfo) -> int:
    """The first full hour of UTC in a local day: an hour that begins before midnight is of the day before. [UTC ms]"""
    return _full_hour_ms(day, 0, zone)


def spread_days(
    first: date, rain_mm: Floats, zone: ZoneInfo, *, begins_h: int = SPELL_BEGINS_H, spell_h: int = SPELL_H
) -> tuple[int, Floats]:
    """Start [UTC ms] and hourly rain of local days from `first` on: an even spell in each. (D,) → (hours,) [mm]

    Totals are kept; the hours of a day that is not known (NaN) are not known. Days of 23 and 25 hours have so many.
    """
    days = [first + timedelta(days=place) for place in range(len(rain_mm) + 1)]
    edges = np.array([first_hour_ms(day, zone) for day in days], dtype=np.int64)
    hours = np.repeat(np.where(np.isnan(rain_mm), np.nan, 0.0), np.diff(edges) // HOUR_MS)
    known = np.flatnonzero(~np.isnan(rain_mm))
    begins = np.array([_full_hour_ms(days[place], begins_h, zone) for place in known], dtype=np.int64)
    places = np.minimum((begins - edges[0]) // HOUR_MS, len(hours) - spell_h)
    for hour in range(spell_h):
        # Not +=: where a calendar left out a day, its rain and the next day's share their hours.
        np.add.at(hours, places + hour, rain_mm[known] / spell_h)
    return int(edges[0]), np.asarray(hours)


def _full_hour_ms(day: date, hour: int, zone: ZoneInfo) -> int:
    edge = from_datetime(datetime.combine(day, time(hour), zone))
    return edge + -edge % HOUR_MS
