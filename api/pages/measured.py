"""What passed at a site, hour by hour and day by day, as its pictures need it."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from typing import Final
from zoneinfo import ZoneInfo

from api.charts.ticks import midnights
from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS, floor_hour, to_datetime
from ingest.reading import Reading
from ingest.site import Sensor, Site
from ingest.store.readings import ReadingStore
from ingest.totals import increments, spread

#: Every zone's days begin at a multiple of this in UTC.
QUARTER_MS: Final = 15 * MINUTE_MS
#: With less than this measured, what a forecast says of use and roofs is the site file's word alone.
_SHORT_MS: Final = 3 * DAY_MS


def amounts(
    site: Site, store: ReadingStore, measures: str, start_ms: int, end_ms: int, every_ms: int = HOUR_MS
) -> dict[int, float]:
    """What passed in each interval `[start, start + every)`, by its start; an unmeasured one is absent.

    Of a running total where there is one, else of a rate, whose hourly mean is spread over the hour.
    measures  such as `rain`, `draw.taps`, `roof.bunkhouse`; in millimetre or litre
    """
    for sensor in site.sensors_of(f"{measures}.total"):
        found = increments(_totals(site, sensor, store, start_ms, end_ms))
        if found:
            return {at: amount for at, amount in spread(found, every_ms).items() if start_ms <= at < end_ms}
    for kind in ("rate", "flow"):
        for sensor in site.sensors_of(f"{measures}.{kind}"):
            buckets = store.aggregate(site.id, sensor.id, start_ms, end_ms, HOUR_MS, "mean")
            if buckets:
                return {
                    at: bucket.value * every_ms / HOUR_MS
                    for bucket in buckets
                    for at in range(bucket.start_ms, bucket.start_ms + HOUR_MS, every_ms)
                }
    return {}


def by_day(by_slot: Mapping[int, float], every_ms: int, nights: list[int]) -> list[float | None]:
    """Sums from each midnight to the next; None: some of that day was not measured."""
    days = []
    for start_ms, end_ms in itertools.pairwise(nights):
        slots = [by_slot.get(at) for at in range(start_ms, end_ms, every_ms)]
        known = [amount for amount in slots if amount is not None]
        days.append(sum(known) if len(known) == len(slots) else None)
    return days


def whole_days(days: int, now_ms: int, zone: ZoneInfo) -> list[int]:
    """Midnights around the last whole local days, one more than there are days. [UTC ms]"""
    return list(midnights(now_ms - (days + 2) * DAY_MS, now_ms, zone))[-days - 1 :]


def slot_ms(nights: list[int], zone: ZoneInfo) -> int:
    """An hour; a quarter of one where the zone's days do not begin at full hours of UTC. [ms]"""
    offsets = (to_datetime(night).astimezone(zone).utcoffset() for night in nights)
    whole = all(offset is not None and offset.total_seconds() % 3600 == 0 for offset in offsets)
    return HOUR_MS if whole else QUARTER_MS


def first_level_ms(site: Site, store: ReadingStore, now_ms: int) -> int | None:
    """Since when the tanks' levels have been measured; None: for three days and longer, or never. [UTC ms]"""
    since_ms = now_ms - _SHORT_MS
    sensors = [sensor for tank in site.tank for sensor in site.sensors_of(f"tank.{tank.id}.level")]
    firsts = [
        found[0] for sensor in sensors if (found := store.range(site.id, sensor.id, since_ms, now_ms + 1, limit=1))
    ]
    if not firsts or min(firsts, key=_time).time_ms - since_ms < HOUR_MS:
        return None
    if any(store.range(site.id, sensor.id, 0, since_ms, limit=1) for sensor in sensors):
        return None  # heard long ago, then silent
    return min(firsts, key=_time).time_ms


def _time(reading: Reading) -> int:
    return reading.time_ms


def _totals(site: Site, sensor: Sensor, store: ReadingStore, start_ms: int, end_ms: int) -> list[Reading]:
    """A running total from before the start to after the end, so that the hours between are whole.

    The first reading of each hour stands for the full hour: a store has these at hand. Of a sensor heard
    less often than that, every reading.
    """
    before_ms, after_ms = start_ms - HOUR_MS, end_ms + HOUR_MS
    if sensor.every_s * 1000 > QUARTER_MS:
        return store.range(site.id, sensor.id, before_ms, after_ms)
    firsts = store.aggregate(site.id, sensor.id, before_ms, after_ms, HOUR_MS, "first")
    readings = [Reading(site.id, bucket.start_ms, sensor.id, bucket.value) for bucket in firsts]
    if firsts and firsts[-1].start_ms < floor_hour(end_ms):
        # The hour has just begun and was not heard yet: the last reading before it ends the one before.
        (last,) = store.aggregate(site.id, sensor.id, firsts[-1].start_ms, end_ms, HOUR_MS, "last")
        readings.append(Reading(site.id, last.start_ms + HOUR_MS, sensor.id, last.value))
    return readings
