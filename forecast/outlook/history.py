"""The outlook of a season: whole windows of a rain record from other years at this time of year.

A window keeps what a generator loses: how dry and wet spells follow each other. Windows are the
default wherever a record exists.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from forecast.outlook.ensemble import Floats, Outlook
from forecast.outlook.record import RainRecord
from ingest.errors import ForecastUnavailable
from ingest.instants import DAY_MS, HOUR_MS, to_datetime
from ingest.saying import days, name, number, say

Integers = npt.NDArray[np.int64]

_DAY_H: Final = 24
#: In place of a zero to divide by.
_TINY: Final = 1e-300
#: Windows start at most so many days before or after this day of the year: the first of these that gives so
#: many of them, or the last. Two or three years say too little of their season alone; much wider, and
#: dry and wet seasons run into one.
SEASON_DAYS: Final = (30, 45)
FEWEST_WINDOWS: Final = 240
#: What of the days before now is compared with a window's: how many days, and the scale of likeness
#: on log(1 mm + depth); and the share of the members that the season alone chooses. Found by
#: `python -m tests.reference.skill`.
LIKENESS: Final = ((1, 0.7), (3, 1.0))
SEASON_SHARE: Final = 0.2
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
    measured_mm: Floats | None = None,
) -> Outlook:
    """An ensemble of `members` windows that start at the hour of day of `start_ms`.

    without_year  leave out windows that touch this calendar year, and those that share an hour
                  with the window asked for: for honest tests on the past.
    measured_mm   rain of the first hours, up to now, as far as it was measured: windows that were
                  as wet or as dry in their days before now are drawn more often. [mm]
    Raises ForecastUnavailable when the record has no usable window of this season.
    """
    starts, season_d = _of_season(record, start_ms, hours, without_year)
    if not len(starts):
        raise ForecastUnavailable(f"the rain record {record.name} has no whole window at this time of year")
    first = (starts - record.start_ms) // HOUR_MS
    weight = np.ones(len(starts)) if measured_mm is None else _alike(record, first, measured_mm)
    chosen = _spread(weight, members, rng)
    rain = _mended(_windows(record, first[chosen], hours))
    years = len(np.unique(_years(starts)))
    source = say(
        "rain record {record}, {years} years, {days} either side of today",
        record=name(record.name),
        years=number(years),
        days=days(season_d),
    )
    return Outlook(rain, start_ms, source, distinct=len(np.unique(chosen)))


def _of_season(record: RainRecord, start_ms: int, hours: int, without_year: int | None) -> tuple[Integers, int]:
    """Starts of the usable windows of this season (N,) [UTC ms], and how wide that is taken. [days either side]"""
    for season_d in SEASON_DAYS:
        starts = _candidates(record, start_ms, hours, without_year, season_d)
        if len(starts) >= FEWEST_WINDOWS:
            break
    return starts, season_d


def _candidates(record: RainRecord, start_ms: int, hours: int, without_year: int | None, season_d: int) -> Integers:
    """Starts of all usable windows: same hour of day, near the same day of the year. (N,) [UTC ms]"""
    today = to_datetime(start_ms).year
    years = np.arange(to_datetime(record.start_ms).year - 1, to_datetime(record.end_ms).year + 1)
    anchors = start_ms + np.round((years - today) * 365.2425).astype(np.int64) * DAY_MS
    season = np.arange(-season_d, season_d + 1) * DAY_MS
    starts = (anchors[:, None] + season).ravel()
    if without_year is not None:
        touches = (_years(starts) <= without_year) & (without_year <= _years(starts + hours * HOUR_MS))
        starts = starts[~touches & (np.abs(starts - start_ms) >= hours * HOUR_MS)]
    first = (starts - record.start_ms) // HOUR_MS
    low, high = np.clip(first, 0, len(record.rain_mm)), np.clip(first + hours, 0, len(record.rain_mm))
    missing = hours - (high - low) + record.unknown_before[high] - record.unknown_before[low]
    return np.asarray(starts[missing <= MOST_UNKNOWN * hours])


def _years(times_ms: Integers) -> Integers:
    return np.asarray(times_ms.astype("datetime64[ms]").astype("datetime64[Y]").astype(np.int64) + 1970)


def _alike(record: RainRecord, first: Integers, measured_mm: Floats) -> Floats:
    """Weight of each window by how its days before now agree with those measured. (N,)

    Of the last day and the last three, compared as log(1 mm + depth). A day that was not wholly
    measured says nothing.
    """
    weight = np.ones(len(first))
    for whole_d, scale in LIKENESS:
        last = measured_mm[-whole_d * _DAY_H :]
        if len(last) < whole_d * _DAY_H or np.isnan(last).any():
            continue
        end = np.clip(first + len(measured_mm), 0, len(record.rain_mm))
        begin = np.clip(first + len(measured_mm) - len(last), 0, len(record.rain_mm))
        before = np.maximum(0.0, record.fell_before_mm[end] - record.fell_before_mm[begin])
        distance = (np.log1p(before) - np.log1p(last.sum())) / scale
        weight *= np.exp(-(distance**2) / 2)
    # A share of the season stays, so that a rare day does not leave one window alone.
    return np.asarray((1 - SEASON_SHARE) * weight / max(weight.sum(), _TINY) + SEASON_SHARE / len(first))


def _windows(record: RainRecord, first: Integers, hours: int) -> Floats:
    """Rain of windows, one in a column; NaN where not known. (hours, N) [mm]"""
    if first.min() >= 0 and first.max() + hours <= len(record.rain_mm):
        return np.ascontiguousarray(np.lib.stride_tricks.sliding_window_view(record.rain_mm, hours)[first].T)
    return np.stack([record.window(record.start_ms + int(hour) * HOUR_MS, hours) for hour in first], axis=1)


def _spread(weight: Floats, members: int, rng: np.random.Generator) -> Integers:
    """Members spread evenly over the candidates' weights, from a random beginning. (M,) places"""
    places = (np.arange(members) + rng.random()) / members
    share = np.cumsum(weight)
    return np.minimum(np.searchsorted(share / share[-1], places, side="right"), len(weight) - 1)


def _mended(rain_mm: Floats) -> Floats:
    """A window's few unknown hours get its mean rain, so that its total is not too low. (H, N)"""
    if not np.isnan(rain_mm.sum()):  # one pass, for the most part the only one
        return rain_mm
    return np.where(np.isnan(rain_mm), np.nanmean(rain_mm, axis=0), rain_mm)
