"""How much water is wanted, hour by hour, in the site's own time."""

from __future__ import annotations

from datetime import timedelta
from functools import lru_cache
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from ingest.instants import DAY_MS, HOUR_MS, to_datetime
from ingest.site import Draw, Site

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

#: Spread of what people really draw about the site file's figure: of the figure itself, the
#: same all along, and from day to day (both common practice, no source; lognormal sigma).
FIGURE_SIGMA: Final = 0.15
DAY_SIGMA: Final = 0.30

_MS = timedelta(milliseconds=1)


def local_hours(site: Site, start_ms: int, hours: int) -> tuple[Integers, Integers, Integers]:
    """Local hour of day, local month, and number of the local day (first 0) of each hour; each (hours,).

    The offset from UTC is looked up once a day and where it changes: summer time starts and ends
    on the hour in the zones that have it.
    """
    return _local_hours(site.zone, start_ms, hours)


@lru_cache(maxsize=64)
def _local_hours(zone: ZoneInfo, start_ms: int, hours: int) -> tuple[Integers, Integers, Integers]:
    """Kept, since many sites share a zone: not to be changed in place."""
    starts = start_ms + HOUR_MS * np.arange(hours, dtype=np.int64)
    offsets = np.empty(hours, dtype=np.int64)
    for first in range(0, hours, 24):
        last = min(first + 24, hours) - 1
        ends = [_offset_ms(int(starts[index]), zone) for index in (first, last)]
        if ends[0] == ends[1]:
            offsets[first : last + 1] = ends[0]
        else:
            offsets[first : last + 1] = [_offset_ms(int(start), zone) for start in starts[first : last + 1]]
    local = starts + offsets
    days = local // DAY_MS
    months = (days.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64) % 12) + 1
    return local % DAY_MS // HOUR_MS, months, days - days[0]


def demand_l(site: Site, start_ms: int, hours: int) -> tuple[Floats, Integers]:
    """Mean litres wanted in each hour by each draw, and the local day of each hour. (hours, D), (hours,)

    A day's litres are spread evenly over the hours of use, in the months of use: D/(last − first) in each
    (common practice, no source). [L]
    """
    hour, month, day = local_hours(site, start_ms, hours)
    return wanted_l(site, hour, month), day


def wanted_l(site: Site, hour: Integers, month: Integers) -> Floats:
    """The same, in hours whose local hour of day and month are known; both (hours,). (hours, D)"""
    wanted = np.empty((len(hour), len(site.draw)))
    for column, draw in enumerate(site.draw):
        wanted[:, column] = _of_draw(draw, hour, month)
    return wanted


def _of_draw(draw: Draw, hour: Integers, month: Integers) -> Floats:
    first, last = draw.hours or (0, 24)
    in_use = (hour >= first) & (hour < last)
    if draw.months is not None:
        of_year = np.zeros(13, dtype=np.bool_)
        of_year[draw.months] = True
        in_use &= of_year[month]
    return np.asarray(in_use * (draw.litres_per_day / (last - first)))


def _offset_ms(time_ms: int, zone: ZoneInfo) -> int:
    offset = to_datetime(time_ms).astimezone(zone).utcoffset() or timedelta()
    return int(offset / _MS)
