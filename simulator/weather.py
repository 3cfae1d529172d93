"""The weather over a site that does not exist: rain, air and sun, minute by minute.

Either invented from the site's monthly design rain, or made from an hourly record of rain.
Invented weather is for demonstrations and tests, not a climate.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np

from ingest.errors import RecordFileError
from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS, from_datetime, to_datetime, to_rfc3339
from ingest.site import Site
from simulator.rain import minutes_of_hours, storms
from simulator.sun import Floats, Instants, clear_sky_w_m2, day_of_year, sun_height

#: Rain of a month where the site file promises none. [mm]
_UNPROMISED_MM: Final = 60.0


@dataclass(frozen=True)
class Weather:
    """Weather of consecutive minutes; entry i is the minute that starts at start_ms + i minutes.

    rain_mm   fallen in the minute [mm]
    air_cel   air temperature [°C]
    sun_w_m2  on flat ground [W/m²]
    """

    start_ms: int
    rain_mm: Floats
    air_cel: Floats
    sun_w_m2: Floats

    @property
    def minutes(self) -> int:
        return len(self.rain_mm)

    @property
    def times_ms(self) -> Instants:
        """Starts of the minutes. [UTC ms]"""
        return self.start_ms + np.arange(self.minutes, dtype=np.int64) * MINUTE_MS

    def part(self, first: int, minutes: int) -> Weather:
        """`minutes` minutes from the `first` one on."""
        here = slice(first, first + minutes)
        start_ms = self.start_ms + first * MINUTE_MS
        return Weather(start_ms, self.rain_mm[here], self.air_cel[here], self.sun_w_m2[here])


class HourlyRain(NamedTuple):
    """An hourly record: starts of the hours [UTC ms] and what fell in each [mm]."""

    start_ms: Instants
    rain_mm: Floats


class InventedWeather:
    """Weather from the site's design rain and a seed.

    A minute has the same weather whichever span asks for it: every UTC month has a generator of
    its own, seeded by the seed and the month.
    """

    def __init__(self, site: Site, seed: int) -> None:
        self._site = site
        self._seed = seed
        self._months: dict[tuple[int, int], Weather] = {}

    def span(self, start_ms: int, minutes: int) -> Weather:
        """Weather of `minutes` minutes from a full minute on. Raises ValueError on a broken minute."""
        if start_ms % MINUTE_MS:
            raise ValueError(f"start_ms = {start_ms}: expected a full minute")
        parts: list[Weather] = []
        while minutes > 0:
            month = self._month(start_ms)
            part = month.part((start_ms - month.start_ms) // MINUTE_MS, minutes)
            parts.append(part)
            start_ms += part.minutes * MINUTE_MS
            minutes -= part.minutes
        return _joined(parts)

    def _month(self, time_ms: int) -> Weather:
        moment = to_datetime(time_ms)
        key = (moment.year, moment.month)
        if key not in self._months:
            self._months.clear()  # spans go forward: the month before is not asked for again
            self._months[key] = self._invent(*key)
        return self._months[key]

    def _invent(self, year: int, month: int) -> Weather:
        start = datetime(year, month, 1, tzinfo=UTC)
        end = datetime(year + month // 12, month % 12 + 1, 1, tzinfo=UTC)
        start_ms, minutes = from_datetime(start), (end - start).days * 24 * 60
        mean_mm = self._site.design.rain_mm[month - 1] if self._site.design else _UNPROMISED_MM
        rng = np.random.default_rng([self._seed, year, month])
        middle = np.array([start_ms + minutes * MINUTE_MS // 2])
        return _under(self._site, start_ms, storms(minutes, mean_mm, float(_summer(self._site, middle)[0]), rng), rng)


def invented_weather(site: Site, start_ms: int, minutes: int, seed: int) -> Weather:
    """Invented weather of one span; see InventedWeather."""
    return InventedWeather(site, seed).span(start_ms, minutes)


def recorded_weather(site: Site, record: HourlyRain, start_ms: int, hours: int, seed: int) -> Weather:
    """Weather from recorded hours of rain, from a full hour on; air and sun are invented to suit.

    Raises RecordFileError when an hour of the span is missing from the record: missing is not dry.
    """
    wanted = start_ms + np.arange(hours, dtype=np.int64) * HOUR_MS
    known = dict(zip(record.start_ms.tolist(), record.rain_mm.tolist(), strict=True))
    missing = [time_ms for time_ms in wanted.tolist() if not np.isfinite(known.get(time_ms, np.nan))]
    if missing:
        raise RecordFileError(
            f"the rain record lacks {len(missing)} of {hours} hours, the first at {to_rfc3339(missing[0])}: "
            "choose a span that it covers"
        )
    rng = np.random.default_rng([seed, start_ms // HOUR_MS])
    rain_mm = minutes_of_hours(np.array([known[time_ms] for time_ms in wanted.tolist()]), rng)
    return _under(site, start_ms, rain_mm, rng)


def hourly_record(site: Site, start_ms: int, hours: int, seed: int) -> HourlyRain:
    """A long hourly record of invented rain, from a full hour on, to 0.01 mm.

    It is the same rain that InventedWeather of that seed has by the minute.
    """
    if start_ms % HOUR_MS:
        raise ValueError(f"start_ms = {start_ms}: expected a full hour")
    weather = InventedWeather(site, seed)
    days = [
        weather.span(start_ms + first * HOUR_MS, 60 * min(24, hours - first)).rain_mm for first in range(0, hours, 24)
    ]
    rain_mm = np.concatenate(days).reshape(-1, 60).sum(axis=1).round(2)
    return HourlyRain(start_ms + np.arange(hours, dtype=np.int64) * HOUR_MS, rain_mm)


def write_record(path: Path, record: HourlyRain) -> None:
    """Write a record as CSV: `time` (RFC 3339, UTC, start of the hour) and `rain_mm`."""
    with path.open("w", newline="", encoding="utf-8") as file:
        rows = csv.writer(file)
        rows.writerow(["time", "rain_mm"])
        rows.writerows(
            (to_rfc3339(time_ms), f"{mm:.2f}")
            for time_ms, mm in zip(record.start_ms.tolist(), record.rain_mm.tolist(), strict=True)
        )


def _summer(site: Site, times_ms: Instants) -> Floats:
    """0 in the depth of winter, 1 in high summer, whichever side of the equator."""
    wave = np.cos(2 * np.pi * (day_of_year(times_ms) - 200) / 365.2425)
    return np.asarray(0.5 + 0.5 * np.copysign(1.0, site.latitude) * wave)


def _under(site: Site, start_ms: int, rain_mm: Floats, rng: np.random.Generator) -> Weather:
    """Put air and sun under the rain: clouds about it, warmth by season and by the sun."""
    times_ms = start_ms + np.arange(rain_mm.size, dtype=np.int64) * MINUTE_MS
    clear = _clear_share(rain_mm, rng)
    sun_w_m2 = clear_sky_w_m2(sun_height(site, times_ms + MINUTE_MS // 2)) * clear
    latitude = abs(site.latitude)
    season = (27 - 0.33 * latitude) + 0.11 * latitude * (2 * _summer(site, times_ms) - 1)
    # Warmest three hours after noon; the swing is larger under a clear sky.
    local = times_ms % DAY_MS / HOUR_MS + site.longitude / 15
    air_cel = season + 5 * clear * np.cos(2 * np.pi * (local - 15) / 24) + _wandering(rain_mm.size, 24 * 60, 2.5, rng)
    return Weather(start_ms, rain_mm, np.asarray(air_cel), sun_w_m2)


def _clear_share(rain_mm: Floats, rng: np.random.Generator) -> Floats:
    """Share of a clear sky's light that comes through: less near rain, least in it."""
    half_day = 6 * 60
    total = np.concatenate([[0.0], np.cumsum(rain_mm > 0)])
    minute = np.arange(rain_mm.size)
    first, last = np.maximum(0, minute - half_day), np.minimum(rain_mm.size, minute + half_day)
    wetness = (total[last] - total[first]) / (last - first)
    clouds = _wandering(rain_mm.size, 24 * 60, 0.15, rng) + _wandering(rain_mm.size, 60, 0.12, rng)
    return np.asarray(np.clip(0.72 - 0.45 * np.sqrt(wetness) + clouds, 0.1, 1.0) * np.where(rain_mm > 0, 0.5, 1.0))


def _wandering(minutes: int, every_min: int, sd: float, rng: np.random.Generator) -> Floats:
    """A line through independent normal points `every_min` apart, zero at both ends of the span."""
    points = rng.normal(0, sd, minutes // every_min + 2)
    points[0] = points[-1] = 0.0
    return np.asarray(np.interp(np.arange(minutes), np.linspace(0, minutes, points.size), points))


def _joined(parts: list[Weather]) -> Weather:
    if len(parts) == 1:
        return parts[0]
    return Weather(
        parts[0].start_ms,
        np.concatenate([part.rain_mm for part in parts]),
        np.concatenate([part.air_cel for part in parts]),
        np.concatenate([part.sun_w_m2 for part in parts]),
    )
