"""What was measured of a site, by the hour, as the account needs it. The only file here that reads a store.

Hourly values suffice: levels and totals are taken at the full hours, so sums over any time telescope
and nothing between two readings is lost; a store gives them from its roll-ups.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from forecast.outlook.record import RainRecord
from ingest.instants import HOUR_MS
from ingest.reading import Reading
from ingest.site import Sensor, Site
from ingest.store.readings import ReadingStore
from ingest.totals import increments, spread

Floats = npt.NDArray[np.float64]
Truths = npt.NDArray[np.bool_]

#: A level that is lacking for so long is drawn as a line between its neighbours. [h] (common practice, no source)
BRIDGED_H: Final = 6


@dataclass(frozen=True)
class Measured:
    """Telemetry of H hours from `start_ms`, a full hour, on. NaN: not measured, which is never zero.

    rain_mm   fallen in each hour (H,)
    level_m   of tanks with a level, at the full hours from the first to the end, by tank (H + 1,)
    mean_m    mean level within each hour, by tank (H,): it has less noise than one reading
    drawn_l   of draws with a meter, by draw (H,)
    caught_l  of roofs with a meter, by roof (H,)
    backup_l  of the backup's meter; None: it has none (H,)
    """

    start_ms: int
    rain_mm: Floats
    level_m: dict[str, Floats] = field(default_factory=dict)
    mean_m: dict[str, Floats] = field(default_factory=dict)
    drawn_l: dict[str, Floats] = field(default_factory=dict)
    caught_l: dict[str, Floats] = field(default_factory=dict)
    backup_l: Floats | None = None

    @property
    def hours(self) -> int:
        return len(self.rain_mm)

    @property
    def end_ms(self) -> int:
        return self.start_ms + HOUR_MS * self.hours

    def with_rain(self, record: RainRecord) -> Measured:
        """With the rain of a record in the hours in which no gauge of the site spoke."""
        told = record.window(self.start_ms, self.hours)
        return replace(self, rain_mm=np.where(np.isnan(self.rain_mm), told, self.rain_mm))

    def begun(self) -> Measured:
        """From the hour on in which a level or a meter first spoke: nothing can be held against a promise before.

        As it is where none ever spoke. Rain alone is no beginning: a record may tell it of any time.
        """
        meters = [*self.drawn_l.values(), *self.caught_l.values(), *([] if self.backup_l is None else [self.backup_l])]
        spoke = [
            np.flatnonzero(~np.isnan(column))[:1]
            for column in (*meters, *(level_m[:-1] for level_m in self.level_m.values()))
        ]
        hour = int(np.concatenate([*spoke, [self.hours]]).min())
        return self if hour in (0, self.hours) else self.part(hour, self.hours)

    def part(self, first: int, end: int) -> Measured:
        """The hours `[first, end)` of it."""
        hours, ends = slice(first, end), slice(first, end + 1)
        return replace(
            self,
            start_ms=self.start_ms + HOUR_MS * first,
            rain_mm=self.rain_mm[hours],
            level_m={tank: level_m[ends] for tank, level_m in self.level_m.items()},
            mean_m={tank: mean_m[hours] for tank, mean_m in self.mean_m.items()},
            drawn_l={draw: litres[hours] for draw, litres in self.drawn_l.items()},
            caught_l={roof: litres[hours] for roof, litres in self.caught_l.items()},
            backup_l=None if self.backup_l is None else self.backup_l[hours],
        )


def read_measured(
    site: Site, store: ReadingStore, start_ms: int, end_ms: int, rain: RainRecord | None = None
) -> Measured:
    """The hours that lie whole in `[start_ms, end_ms)`. Raises StoreUnavailable, or ValueError when there is none.

    rain  a record that tells the rain of hours in which no gauge of the site spoke
    """
    first_ms, last_ms = -(-start_ms // HOUR_MS) * HOUR_MS, end_ms // HOUR_MS * HOUR_MS
    if first_ms >= last_ms:
        raise ValueError("the account needs a full hour at least: a `to` that is later than `from`")
    reader = _Reader(site, store, first_ms, (last_ms - first_ms) // HOUR_MS)
    gauged = reader.passed("rain")
    levels = {tank.id: level for tank in site.tank if (level := reader.level_m(tank.id)) is not None}
    seen = Measured(
        first_ms,
        np.full(reader.hours, np.nan) if gauged is None else gauged,
        levels,
        {tank: reader.mean_m(tank) for tank in levels},
        {draw.id: litres for draw in site.draw if (litres := reader.passed(f"draw.{draw.id}")) is not None},
        {roof.id: litres for roof in site.roof if (litres := reader.passed(f"roof.{roof.id}")) is not None},
        reader.passed("backup"),
    )
    return seen if rain is None else seen.with_rain(rain)


class _Reader:
    """Asks a store for the hours of one site; of several sensors of a thing the first that spoke counts."""

    def __init__(self, site: Site, store: ReadingStore, start_ms: int, hours: int) -> None:
        self.site, self.store, self.start_ms, self.hours = site, store, start_ms, hours
        self.end_ms = start_ms + hours * HOUR_MS

    def level_m(self, tank: str) -> Floats | None:
        """Level at the full hours; a short gap is bridged. (H + 1,)"""
        for sensor in self.site.sensors_of(f"tank.{tank}.level"):
            if (levels := self._at_the_hours(sensor, self.start_ms)) is not None:
                return bridged(levels)
        return None

    def mean_m(self, tank: str) -> Floats:
        """Mean level within each hour, of the sensor that `level_m` took. (H,)"""
        for sensor in self.site.sensors_of(f"tank.{tank}.level"):
            if (means := self._means(sensor)) is not None:
                return means
        return np.full(self.hours, np.nan)

    def passed(self, measures: str) -> Floats | None:
        """Litres or millimetres of each hour: of a total, else of a rate (an hour's mean is its amount). (H,)"""
        for sensor in self.site.sensors_of(f"{measures}.total"):
            # From the hour before: what passed before the first reading is in its difference.
            totals = self._at_the_hours(sensor, self.start_ms - HOUR_MS)
            if totals is not None:
                return self._by_hour(sensor, totals)
        for sensor in (*self.site.sensors_of(f"{measures}.flow"), *self.site.sensors_of(f"{measures}.rate")):
            if (means := self._means(sensor)) is not None:
                return means
        return None

    def _means(self, sensor: Sensor) -> Floats | None:
        buckets = self.store.aggregate(self.site.id, sensor.id, self.start_ms, self.end_ms, HOUR_MS, "mean")
        if not buckets:
            return None
        return self._laid({bucket.start_ms: bucket.value for bucket in buckets}, self.start_ms, self.hours)

    def _at_the_hours(self, sensor: Sensor, start_ms: int) -> Floats | None:
        """First reading of each hour from `start_ms` to the end, which stands for the full hour."""
        buckets = self.store.aggregate(self.site.id, sensor.id, start_ms, self.end_ms + HOUR_MS, HOUR_MS, "first")
        if not buckets:
            return None
        hours = (self.end_ms - start_ms) // HOUR_MS + 1
        return self._laid({bucket.start_ms: bucket.value for bucket in buckets}, start_ms, hours)

    def _by_hour(self, sensor: Sensor, totals: Floats) -> Floats:
        times_ms = self.start_ms - HOUR_MS + HOUR_MS * np.arange(len(totals))
        known = ~np.isnan(totals)
        readings = [
            Reading(self.site.id, time_ms, sensor.id, value)
            for time_ms, value in zip(times_ms[known].tolist(), totals[known].tolist(), strict=True)
        ]
        return self._laid(spread(increments(readings), HOUR_MS), self.start_ms, self.hours)

    @staticmethod
    def _laid(amounts: dict[int, float], start_ms: int, hours: int) -> Floats:
        out = np.full(hours, np.nan)
        for time_ms, amount in amounts.items():
            if 0 <= (hour := (time_ms - start_ms) // HOUR_MS) < hours:
                out[hour] = amount
        return out


def bridged(levels: Floats, longest_h: int = BRIDGED_H) -> Floats:
    """Gaps of up to so many hours as a line between their neighbours; longer ones stay. (N,)"""
    known = np.flatnonzero(~np.isnan(levels))
    if not len(known):
        return levels
    out = np.interp(np.arange(len(levels)), known, levels[known], left=np.nan, right=np.nan)
    for before, after in zip(known[:-1].tolist(), known[1:].tolist(), strict=True):
        if after - before > longest_h:
            out[before + 1 : after] = np.nan
    return out
