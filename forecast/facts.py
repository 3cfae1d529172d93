"""What is known of a site now, gathered from the readings store. No judgement beyond robust reading.

The forecast is a pure function of these facts; everything that touches a store stands here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from forecast.level import may_be_empty
from forecast.model.geometry import geometry_of
from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS, floor_hour, from_datetime, to_datetime
from ingest.reading import Reading
from ingest.site import Sensor, Site, Tank
from ingest.store.readings import ReadingStore
from ingest.store.records import LogEntry
from ingest.totals import amounts
from ingest.units import LITRES_PER_M3

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

#: The state of roofs and first-flush chambers is found by running the balance over so many days.
SPIN_UP_DAYS: Final = 14
#: A level is the median of its last readings within this time: spikes and slosh drop out.
LEVEL_SPAN_MS: Final = 45 * MINUTE_MS
#: Noise of a level sensor whose site file gives none. [m] (common practice, no source)
LEVEL_NOISE_M: Final = 0.005
#: Standard deviation of a median over that of a mean, of many normal errors: √(π/2).
SD_OF_MEDIAN: Final = 1.25
#: A level older than this is looked for no further: there is no forecast without one.
OLDEST_LEVEL_MS: Final = 10 * DAY_MS
#: Of a tank that may be empty, a level so long before its last is looked up, and for so long further back:
#: within a day whoever draws comes by, and what was left is gone.
BEFORE_MS: Final = DAY_MS
#: A running total heard at least this often is read by its hours.
OFTEN_MS: Final = 15 * MINUTE_MS
#: Hours of the night, local, in which a battery is nearly at rest.
_NIGHT: Final = (0, 5)


@dataclass(frozen=True)
class LevelNow:
    """The last good level of a tank: when [ms], how high [m], how much [L] and how surely (sd) [L]."""

    time_ms: int
    level_m: float
    volume_l: float
    sd_l: float


@dataclass(frozen=True)
class BatteryNow:
    """The battery's voltage nearest to rest [V], when [ms], and whether it was taken at night."""

    time_ms: int
    volts: float
    at_rest: bool


@dataclass(frozen=True)
class Facts:
    """What the stores know of one site at `now_ms`.

    levels      by tank id; a tank without a usable level is absent
    before      of tanks that may be empty, the level a day before: the balance since tells whether they ran dry
    rain_mm     measured rain of the hours from `rain_start_ms` on [mm]; NaN: not measured
    rain_last_ms  newest rain reading; None: no gauge, or it never spoke
    emptied     when first-flush chambers were emptied by hand [ms], and of which roof
    """

    now_ms: int
    levels: dict[str, LevelNow] = field(default_factory=dict)
    rain_start_ms: int = 0
    rain_mm: Floats = field(default_factory=lambda: np.empty(0))
    rain_last_ms: int | None = None
    battery: BatteryNow | None = None
    emptied: tuple[tuple[int, str], ...] = ()
    before: dict[str, LevelNow] = field(default_factory=dict)


def gather(site: Site, store: ReadingStore, now_ms: int, log: Sequence[LogEntry] = ()) -> Facts:
    """Read what the forecast of a site needs. Raises StoreUnavailable.

    log  what people wrote down of the site, of the last weeks
    """
    newest = store.latest(site.id, now_ms)
    levels = {tank.id: level for tank in site.tank if (level := _level(site, tank, store, newest, now_ms))}
    before = {
        tank.id: level
        for tank in site.tank
        if tank.id in levels and (level := _level_before(site, tank, store, newest, levels[tank.id]))
    }
    oldest = min((level.time_ms for level in levels.values()), default=now_ms)
    rain_start_ms = floor_hour(oldest) - SPIN_UP_DAYS * DAY_MS
    hours = (floor_hour(now_ms) - rain_start_ms) // HOUR_MS + 1
    rain_mm, rain_last_ms = _rain(site, store, newest, rain_start_ms, hours, now_ms)
    battery = _battery(site, store, newest, now_ms)
    emptied = tuple(
        (entry.time_ms, entry.part)
        for entry in log
        if entry.kind == "first-flush-emptied" and rain_start_ms <= entry.time_ms <= now_ms
    )
    return Facts(now_ms, levels, rain_start_ms, rain_mm, rain_last_ms, battery, emptied, before)


def _level(site: Site, tank: Tank, store: ReadingStore, newest: Mapping[str, Reading], now_ms: int) -> LevelNow | None:
    """Median of a sensor's last readings; of several sensors the one heard last."""
    sensor = _sensor(site, tank, newest)
    if sensor is None or now_ms - (last_ms := newest[sensor.id].time_ms) > OLDEST_LEVEL_MS:
        return None
    return _median(tank, sensor, store.range(site.id, sensor.id, last_ms - LEVEL_SPAN_MS, last_ms + 1))


def _level_before(
    site: Site, tank: Tank, store: ReadingStore, newest: Mapping[str, Reading], level: LevelNow
) -> LevelNow | None:
    """The level a day before, of a tank that may be empty; None: it is not, or nothing was heard then."""
    sensor = _sensor(site, tank, newest)
    if sensor is None or not may_be_empty(level.volume_l, level.sd_l, geometry_of(tank).dead_l):
        return None
    end_ms = level.time_ms - BEFORE_MS + 1
    readings = store.range(site.id, sensor.id, end_ms - BEFORE_MS, end_ms)
    last = [reading for reading in readings if reading.time_ms >= readings[-1].time_ms - LEVEL_SPAN_MS]
    return _median(tank, sensor, last) if last else None


def _sensor(site: Site, tank: Tank, newest: Mapping[str, Reading]) -> Sensor | None:
    sensors = [sensor for sensor in site.sensors_of(f"tank.{tank.id}.level") if sensor.id in newest]
    return max(sensors, key=lambda candidate: newest[candidate.id].time_ms, default=None)


def _median(tank: Tank, sensor: Sensor, readings: Sequence[Reading]) -> LevelNow:
    level_m = float(np.median([reading.value for reading in readings]))
    geometry = geometry_of(tank)
    noise_m = _noise_m(sensor) / np.sqrt(len(readings)) * SD_OF_MEDIAN
    sd_l = float(noise_m * geometry.surface_m2(level_m) * LITRES_PER_M3)
    return LevelNow(readings[-1].time_ms, level_m, float(geometry.volume_l(level_m)), sd_l)


def _noise_m(sensor: Sensor) -> float:
    return LEVEL_NOISE_M if sensor.noise is None else sensor.noise


def _rain(
    site: Site, store: ReadingStore, newest: Mapping[str, Reading], start_ms: int, hours: int, now_ms: int
) -> tuple[Floats, int | None]:
    """Hourly rain of the gauge, running total preferred; the first sensor with data wins."""
    for sensor in site.sensors_of("rain.total"):
        if sensor.id not in newest:
            continue
        times_ms, totals = _totals(site, sensor, store, newest[sensor.id], start_ms - HOUR_MS, now_ms)
        if len(times_ms) < 2:
            continue
        return amounts(times_ms, totals, start_ms, HOUR_MS, hours), int(times_ms[-1])
    rain = np.full(hours, np.nan)
    for sensor in site.sensors_of("rain.rate"):
        buckets = store.aggregate(site.id, sensor.id, start_ms, now_ms + 1, HOUR_MS, "mean")
        for bucket in buckets:
            rain[(bucket.start_ms - start_ms) // HOUR_MS] = bucket.value
        if buckets:
            return rain, buckets[-1].start_ms + HOUR_MS
    return rain, None


def _totals(
    site: Site, sensor: Sensor, store: ReadingStore, newest: Reading, start_ms: int, now_ms: int
) -> tuple[Integers, Floats]:
    """Times and values of a running total, oldest first. Of one heard often, its first of each hour and the newest.

    These stand for the full hours: what falls between the hour and its first reading counts for the
    hour before, and a store gives them from its roll-ups, without reading every reading.
    """
    if sensor.every_s * 1000 > OFTEN_MS:
        found = [(reading.time_ms, reading.value) for reading in store.range(site.id, sensor.id, start_ms, now_ms + 1)]
    else:
        found = [bucket[:2] for bucket in store.aggregate(site.id, sensor.id, start_ms, now_ms + 1, HOUR_MS, "first")]
        if not found or newest.time_ms > found[-1][0]:
            found.append((newest.time_ms, newest.value))
    times_ms, totals = zip(*found, strict=True) if found else ((), ())
    return np.array(times_ms, dtype=np.int64), np.array(totals, dtype=np.float64)


def _battery(site: Site, store: ReadingStore, newest: Mapping[str, Reading], now_ms: int) -> BatteryNow | None:
    """The median voltage of the last night's small hours; without one, the last voltage heard."""
    if site.battery is None:
        return None
    for sensor in site.sensors_of("battery.voltage"):
        last = newest.get(sensor.id)
        if last is None:
            continue
        for start_ms, end_ms in _nights(site.zone, now_ms):
            night = store.range(site.id, sensor.id, max(start_ms, now_ms - DAY_MS), min(end_ms, now_ms + 1))
            if night:
                volts = float(np.median([reading.value for reading in night]))
                return BatteryNow(night[-1].time_ms, volts, at_rest=True)
        return BatteryNow(last.time_ms, last.value, at_rest=False)
    return None


def _nights(zone: ZoneInfo, now_ms: int) -> list[tuple[int, int]]:
    """The small hours of this local day and of the one before, those that have begun. [UTC ms]"""
    today = to_datetime(now_ms).astimezone(zone).date()
    nights = []
    for day in (today, today - timedelta(days=1)):
        start, end = (datetime.combine(day, time(hour), zone) for hour in _NIGHT)
        nights.append((from_datetime(start), from_datetime(end)))
    return [night for night in nights if night[0] <= now_ms < night[1] + DAY_MS]
