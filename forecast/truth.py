"""What came: how much stood in the tanks at an instant, and when they were first empty or full. Reads the store."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from forecast.facts import LEVEL_NOISE_M, SD_OF_MEDIAN
from forecast.model.geometry import geometry_of
from forecast.model.plan import Plan
from forecast.model.storage import Storage, storages_of
from forecast.verify import Passed, Stood
from ingest.instants import HOUR_MS, MINUTE_MS, SECOND_MS, floor_hour
from ingest.site import Sensor, Site, Tank
from ingest.store.readings import ReadingStore
from ingest.units import LITRES_PER_M3

Floats = npt.NDArray[np.float64]

#: A level counts for an instant when it was read within this time of it, or within one interval of its sensor.
HALF_SPAN_MS: Final = 30 * MINUTE_MS
#: Between two hours that were heard, so many may be missing before nobody can say that nothing happened. [h]
MOST_GAP_H: Final = 6
#: A tank within so many noises of empty or full was so already.
_ALREADY: Final = 3.0


def stood(site: Site, tank: Tank, store: ReadingStore, time_ms: int) -> Stood | None:
    """The median of a tank's levels about an instant; None: none was heard. Raises StoreUnavailable."""
    geometry = geometry_of(tank)
    for sensor in site.sensors_of(f"tank.{tank.id}.level"):
        span_ms = max(HALF_SPAN_MS, round(sensor.every_s * SECOND_MS))
        heard = store.range(site.id, sensor.id, time_ms - span_ms, time_ms + span_ms + 1)
        if heard:
            level_m = float(np.median([reading.value for reading in heard]))
            sd_m = noise_m(sensor) / np.sqrt(len(heard)) * SD_OF_MEDIAN
            return Stood(float(geometry.volume_l(level_m)), float(sd_m * geometry.surface_m2(level_m) * LITRES_PER_M3))
    return None


def noise_m(sensor: Sensor) -> float:
    """Standard deviation of one reading of a level sensor. [m]"""
    return LEVEL_NOISE_M if sensor.noise is None else sensor.noise


def passed(site: Site, plan: Plan, store: ReadingStore, start_ms: int, hours: int) -> Passed | None:
    """When the first tank that is drawn from was used up, and when the first water left the site over a brim.

    Seen by hourly means of the levels, within the noise of a reading: down to dead storage (or to
    where a backup opens by itself), or up to the brim. None: a tank was not heard for too long to
    say. Raises StoreUnavailable.
    """
    feeds = plan.feeds
    ends = plan.ends
    empty_h: list[float | None] = []
    full_h: list[float | None] = []
    for index, storage in enumerate(storages_of(site)):
        series = _hourly(site, storage, store, start_ms, hours)
        if series is None:
            return None
        level_m, margin_m = series
        if index in feeds:
            empty_h.append(_first(level_m - float(storage.geometry.level_m(plan.used_up_l[index])), margin_m))
        if index in ends:
            full_h.append(_first(float(storage.geometry.levels_m[-1]) - level_m, margin_m))
    return Passed(_earliest(empty_h), _earliest(full_h))


def _hourly(
    site: Site, storage: Storage, store: ReadingStore, start_ms: int, hours: int
) -> tuple[Floats, float] | None:
    """Mean level of each hour, NaN where not heard, and the noise of a reading [m]; None: too many unheard."""
    start_ms = floor_hour(start_ms)
    for tank in (site.tank[place] for place in storage.tanks):
        for sensor in site.sensors_of(f"tank.{tank.id}.level"):
            buckets = store.aggregate(site.id, sensor.id, start_ms, start_ms + hours * HOUR_MS, HOUR_MS, "mean")
            heard = np.array([(bucket.start_ms - start_ms) // HOUR_MS for bucket in buckets], dtype=np.int64)
            most = max(MOST_GAP_H, int(np.ceil(sensor.every_s * SECOND_MS / HOUR_MS)))
            if len(heard) and np.diff(heard, prepend=-1, append=hours).max() - 1 <= most:
                level_m = np.full(hours, np.nan)
                level_m[heard] = [bucket.value for bucket in buckets]
                return level_m, noise_m(sensor)
    return None


def _first(above_m: Floats, margin_m: float) -> float | None:
    """Middle of the first hour in which a height was within the margin of zero [h]; None: near it from the start."""
    heard = above_m[~np.isnan(above_m)]
    if heard[0] <= _ALREADY * margin_m:
        return None
    there = above_m <= margin_m
    return float(np.argmax(there)) + 0.5 if there.any() else np.inf


def _earliest(hours: list[float | None]) -> float | None:
    """Of several tanks; None: one was there already."""
    known = [hour for hour in hours if hour is not None]
    return min(known, default=np.inf) if len(known) == len(hours) else None
