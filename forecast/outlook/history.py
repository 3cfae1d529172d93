"""The outlook of a season: whole windows of a rain record from other years at this time of year.

A window keeps what a generator loses: how dry and wet spells follow each other. Windows are the
default wherever a record exists.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from forecast.outlook.ensemble import Floats, Outlook
from forecast.outlook.record import RainRecord
from ingest.errors import ForecastUnavailable
from ingest.instants import DAY_MS, HOUR_MS, to_datetime

#: Windows start at most so many days before or after this day of the year.
SEASON_DAYS: Final = 20
#: A window with more unknown hours than this share is not used; fewer are taken as dry hours'
#: neighbours, see `_mended`.
MOST_UNKNOWN: Final = 0.02


def history_outlook(
    record: RainRecord,
    start_ms: int,
    hours: int,
    members: int,
    rng: np.random.Generator,
    *,
    without_year: int | None = None,
) -> Outlook:
    """An ensemble of `members` windows that start at the hour of day of `start_ms`.

    without_year  leave out windows that touch this calendar year: for honest tests on the past.
    Raises ForecastUnavailable when the record has no usable window of this season.
    """
    starts = _candidates(record, start_ms, hours, without_year)
    if not starts:
        raise ForecastUnavailable(f"the rain record {record.name} has no whole window at this time of year")
    years = len({to_datetime(start).year for start in starts})
    chosen = _spread(starts, members, rng)
    rain = np.stack([_mended(record.window(start, hours)) for start in chosen], axis=1)
    source = f"rain record {record.name}, {years} years, {SEASON_DAYS} days either side of today"
    return Outlook(rain, start_ms, source, distinct=len(set(chosen)))


def _candidates(record: RainRecord, start_ms: int, hours: int, without_year: int | None) -> list[int]:
    """Starts of all usable windows: same hour of day, near the same day of the year."""
    today = to_datetime(start_ms)
    unknown = np.concatenate([[0], np.cumsum(np.isnan(record.rain_mm))])
    starts = []
    for year in range(to_datetime(record.start_ms).year - 1, to_datetime(record.end_ms).year + 1):
        anchor = start_ms + round((year - today.year) * 365.2425) * DAY_MS
        for day in range(-SEASON_DAYS, SEASON_DAYS + 1):
            start = anchor + day * DAY_MS
            end_year = to_datetime(start + hours * HOUR_MS).year
            if without_year is not None and to_datetime(start).year <= without_year <= end_year:
                continue
            first = (start - record.start_ms) // HOUR_MS
            low, high = (min(max(0, hour), len(record.rain_mm)) for hour in (first, first + hours))
            if hours - (high - low) + unknown[high] - unknown[low] <= MOST_UNKNOWN * hours:
                starts.append(start)
    return starts


def _spread(starts: list[int], members: int, rng: np.random.Generator) -> list[int]:
    """Members spread evenly over the candidates, from a random beginning, so that years weigh alike."""
    first = rng.random()
    places = (np.arange(members) + first) / members * len(starts)
    return [starts[int(place)] for place in places]


def _mended(rain_mm: Floats) -> Floats:
    """A window's few unknown hours get its mean rain, so that its total is not too low."""
    unknown = np.isnan(rain_mm)
    return np.where(unknown, np.nanmean(rain_mm), rain_mm) if unknown.any() else rain_mm
