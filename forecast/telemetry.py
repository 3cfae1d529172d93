"""What a site's telemetry has taught, gathered from the readings store by the hour.

Learning looks back some months; it is worth doing once a day, not with every forecast.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import chain
from typing import Final

import numpy as np
import numpy.typing as npt

from forecast.model.geometry import geometry_of
from ingest.instants import DAY_MS, HOUR_MS, floor_hour
from ingest.site import Site
from ingest.store.readings import ReadingStore, pages
from ingest.totals import increments, spread

#: Telemetry older than this teaches nothing of how the site is now.
LOOK_BACK_DAYS: Final = 120
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Hourly:
    """Telemetry of the hours from `start_ms` on; NaN: not measured. (H,) each

    rain_mm; volume_l of a tank at the end of the hour; metered_l of a draw; caught_l of a roof
    """

    start_ms: int
    rain_mm: Floats
    volume_l: dict[str, Floats]
    metered_l: dict[str, Floats]
    caught_l: dict[str, Floats]


def hourly(site: Site, store: ReadingStore, now_ms: int, days: int = LOOK_BACK_DAYS) -> Hourly:
    """The last days by the hour. Raises StoreUnavailable."""
    start_ms = floor_hour(now_ms) - days * DAY_MS
    hours = days * 24

    def passed(measures: str) -> Floats | None:
        """Litres or millimetres of each hour: of a running total, else of a rate (an hour's mean is its amount)."""
        for sensor in site.sensors_of(f"{measures}.total"):
            readings = chain.from_iterable(pages(store, site.id, sensor.id, start_ms - HOUR_MS, now_ms + 1))
            return _laid(spread(increments(readings), HOUR_MS), start_ms, hours)
        for rate in ("flow", "rate"):
            for sensor in site.sensors_of(f"{measures}.{rate}"):
                buckets = store.aggregate(site.id, sensor.id, start_ms, now_ms + 1, HOUR_MS, "mean")
                return _laid({bucket.start_ms: bucket.value for bucket in buckets}, start_ms, hours)
        return None

    volume_l = {}
    for tank in site.tank:
        for sensor in site.sensors_of(f"tank.{tank.id}.level"):
            buckets = store.aggregate(site.id, sensor.id, start_ms, now_ms + 1, HOUR_MS, "last")
            levels = _laid({bucket.start_ms: bucket.value for bucket in buckets}, start_ms, hours)
            volume_l[tank.id] = np.where(np.isnan(levels), np.nan, geometry_of(tank).volume_l(np.nan_to_num(levels)))
            break
    rain = passed("rain")
    return Hourly(
        start_ms,
        np.full(hours, np.nan) if rain is None else rain,
        volume_l,
        {draw.id: litres for draw in site.draw if (litres := passed(f"draw.{draw.id}")) is not None},
        {roof.id: litres for roof in site.roof if (litres := passed(f"roof.{roof.id}")) is not None},
    )


def _laid(amounts: dict[int, float], start_ms: int, hours: int) -> Floats:
    """Amounts by hour, NaN where there is none. (hours,)"""
    out: npt.NDArray[np.float64] = np.full(hours, np.nan)
    for time_ms, amount in amounts.items():
        if 0 <= (hour := (time_ms - start_ms) // HOUR_MS) < hours:
            out[hour] = amount
    return out
