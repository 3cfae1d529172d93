"""The last days of a site by the hour: what slow alarms look back at, read once an hour.

Litres and millimetres of each UTC hour, the present one as far as it has come; NaN: not measured.
Missing is never zero.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, time, timedelta
from typing import Any, Final, NamedTuple, TypeVar, cast

import numpy as np
import numpy.typing as npt

from ingest.instants import DAY_MS, HOUR_MS, floor_hour, from_datetime, to_datetime
from ingest.reading import Reading
from ingest.site import Sensor, Site
from ingest.store.readings import ReadingStore
from ingest.totals import increments, spread

Floats = npt.NDArray[np.float64]
T = TypeVar("T")

#: Fourteen days of use, and a day to see that it lasts.
DAYS: Final = 16
HOURS: Final = DAYS * 24
#: The local hours of a night in which nobody draws water.
NIGHT: Final = (0, 5)
NIGHTS: Final = 14
#: How often it is read.
EVERY_MS: Final = HOUR_MS
#: Readings of devices whose clock is ahead are dated in the future.
_AHEAD_MS: Final = DAY_MS


class Night(NamedTuple):
    """The levels of a tank in the small hours of one night. [UTC ms], [m]"""

    start_ms: int
    end_ms: int
    levels: Sequence[Reading]


class Believed(NamedTuple):
    """Of a sensor's readings of the last day: how many, how many of them suspect or far from both neighbours."""

    readings: int = 0
    doubtful: int = 0


@dataclass(frozen=True)
class History:
    """The last days. Entry h of an array is the hour from start_ms + h hours on; (HOURS,)

    rain_mm   None: no gauge
    caught_l  what came through the meter of a roof; drawn_l through that of a draw; by id
    nights    of a tank, oldest first
    believed  by sensor id
    """

    start_ms: int = 0
    rain_mm: Floats | None = None
    caught_l: Mapping[str, Floats] = field(default_factory=dict)
    drawn_l: Mapping[str, Floats] = field(default_factory=dict)
    level_m: Mapping[str, Floats] = field(default_factory=dict)
    nights: Mapping[str, Sequence[Night]] = field(default_factory=dict)
    believed: Mapping[str, Believed] = field(default_factory=dict)
    _found: dict[Hashable, Any] = field(default_factory=dict, compare=False, repr=False)

    def once(self, key: Hashable, find: Callable[[], T]) -> T:
        """What can be found in these days alone is found once, however often it is asked for."""
        if key not in self._found:
            self._found[key] = find()
        return cast(T, self._found[key])

    def hour(self, time_ms: int) -> int:
        """The entry of an instant."""
        return (time_ms - self.start_ms) // HOUR_MS


def read_history(site: Site, store: ReadingStore, latest: Mapping[str, Reading], now_ms: int) -> History:
    """Read the last days of a site. latest: its newest readings by sensor id. Raises StoreUnavailable."""
    start_ms = floor_hour(now_ms) - (HOURS - 1) * HOUR_MS

    def passed(measures: str) -> Floats | None:
        for sensor in site.sensors_of(f"{measures}.total"):
            return _of_total(site, sensor, store, latest, start_ms, now_ms)
        for rate in ("flow", "rate"):
            for sensor in site.sensors_of(f"{measures}.{rate}"):
                buckets = store.aggregate(site.id, sensor.id, start_ms, now_ms + 1, HOUR_MS, "mean")
                elapsed = {floor_hour(now_ms): (now_ms - floor_hour(now_ms)) / HOUR_MS}
                amounts = {start: mean * elapsed.get(start, 1.0) for start, mean, _ in buckets}
                return _laid(amounts, start_ms)
        return None

    level_m, nights, believed = {}, {}, {}
    for tank in site.tank:
        for sensor in site.sensors_of(f"tank.{tank.id}.level")[:1]:
            buckets = store.aggregate(site.id, sensor.id, start_ms, now_ms + 1, HOUR_MS, "mean")
            level_m[tank.id] = _laid({bucket.start_ms: bucket.value for bucket in buckets}, start_ms)
            spans = _nights(site, now_ms)
            nights[tank.id] = [Night(first, end, store.range(site.id, sensor.id, first, end)) for first, end in spans]
    for sensor in site.sensor:
        readings = store.range(site.id, sensor.id, now_ms - DAY_MS, now_ms + _AHEAD_MS, usable=False)
        believed[sensor.id] = believe(sensor, readings)
    return History(
        start_ms,
        passed("rain"),
        {roof.id: litres for roof in site.roof if (litres := passed(f"roof.{roof.id}")) is not None},
        {draw.id: litres for draw in site.draw if (litres := passed(f"draw.{draw.id}")) is not None},
        level_m,
        nights,
        believed,
    )


#: A level this far from both neighbours, which agree, is a spike and no water; or so many times its noise. [m]
SPIKE_M: Final = 0.15
SPIKE_NOISES: Final = 12


def believe(sensor: Sensor, readings: Sequence[Reading]) -> Believed:
    """Count what cannot be believed of a day's readings, suspect ones among them, in order of time."""
    doubtful = [not reading.usable for reading in readings]
    if sensor.quantity.pattern == "tank.*.level" and len(readings) > 2:
        value = np.array([reading.value for reading in readings])
        far = max(SPIKE_M, SPIKE_NOISES * (sensor.noise or 0.0))
        alike = np.abs(value[2:] - value[:-2]) < far / 2
        spike = alike & (np.abs(value[1:-1] - (value[2:] + value[:-2]) / 2) > far)
        for index in np.flatnonzero(spike):
            doubtful[index + 1] = True
    return Believed(len(readings), sum(doubtful))


def _of_total(
    site: Site, sensor: Sensor, store: ReadingStore, latest: Mapping[str, Reading], start_ms: int, now_ms: int
) -> Floats:
    """Hourly increases of a running total, from its first reading of each hour and the newest."""
    buckets = store.aggregate(site.id, sensor.id, start_ms - HOUR_MS, now_ms + 1, HOUR_MS, "first")
    known = [Reading(site.id, bucket.start_ms, sensor.id, bucket.value) for bucket in buckets]
    if sensor.id in latest and (not known or latest[sensor.id].time_ms > known[-1].time_ms):
        known.append(latest[sensor.id])
    return _laid(spread(increments(known), HOUR_MS), start_ms)


def _nights(site: Site, now_ms: int) -> list[tuple[int, int]]:
    """The small hours of the last nights that are over, oldest first. [UTC ms]"""
    today = to_datetime(now_ms).astimezone(site.zone).date()
    found = []
    for back in range(NIGHTS, -1, -1):
        day = today - timedelta(days=back)
        start, end = (from_datetime(datetime.combine(day, time(hour), site.zone)) for hour in NIGHT)
        if end <= now_ms:
            found.append((start, end))
    return found


def _laid(amounts: Mapping[int, float], start_ms: int) -> Floats:
    out: Floats = np.full(HOURS, np.nan)
    for time_ms, amount in amounts.items():
        if 0 <= (hour := (time_ms - start_ms) // HOUR_MS) < HOURS:
            out[hour] = amount
    return out
