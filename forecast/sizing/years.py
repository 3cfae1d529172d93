"""The rain of a design check: whole years, one after the other, by the site's own calendar.

From a rain record, or, where there is none, invented around monthly means. Missing is never zero:
a year with too many unknown hours is left out, and the few of others are taken from another year.
"""

from __future__ import annotations

import itertools
from datetime import date
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from forecast.model.draw import local_hours
from forecast.model.peaks import peak_factor
from forecast.outlook.days import first_hour_ms
from forecast.outlook.monthly import monthly_outlook
from forecast.outlook.record import RainRecord
from ingest.errors import RecordFileError
from ingest.instants import HOUR_MS, to_datetime
from ingest.site import Site

Floats = npt.NDArray[np.float64]

#: A year with more unknown hours than this share is left out.
MOST_UNKNOWN: Final = 0.05
#: Years that are invented around monthly means, the first of them, and the seed.
STAND_IN_YEARS: Final = 30
_STAND_IN_FIRST: Final = 2001
_SEED: Final = 20
#: How much wetter or drier whole years are than each other, beyond what their days make by chance: together
#: about a seventh of the mean, as in temperate places (common practice, no source; dry places vary more).
_YEAR_SIGMA: Final = 0.12


class Year(NamedTuple):
    """One year of rain, from local midnight of a first of the month. rain_mm (H,), all known [mm]"""

    label: str
    start_ms: int
    rain_mm: Floats


class Years(NamedTuple):
    """The years that are run, in order.

    source      where the rain is from
    left_out    labels of years with too many unknown hours
    filled_h    hours that were unknown and taken from another year [h]
    daily       the record was daily: what happens within a day is a stated guess
    stand_in    there was no record: invented around monthly means
    peak_factor as in `Site.rain_peak_factor`, learned from the record; None: cannot be
    edge_h      hours of the record before its first whole year and after its last [h]
    """

    years: list[Year]
    source: str
    left_out: list[str]
    filled_h: int
    daily: bool
    stand_in: bool
    peak_factor: float | None
    edge_h: int = 0


def years_of_record(site: Site, record: RainRecord) -> Years:
    """Whole years of a record; calendar years where that costs none of them.

    Raises RecordFileError when no year is known well enough.
    """
    months = [_starts(site, record, month) for month in (1, _first_month(site, record))]
    starts = max(months, key=len)
    years = [_year(record, begin, end) for begin, end in itertools.pairwise(starts)]
    unknown = [float(np.isnan(year.rain_mm).mean()) for year in years]
    kept = [year for year, share in zip(years, unknown, strict=True) if share <= MOST_UNKNOWN]
    if not kept:
        raise RecordFileError(
            f"{record.name}: no year of it is known in {1 - MOST_UNKNOWN:.0%} of its hours; a design check needs one "
            "whole year, better ten; without --rain it uses the monthly means of the site file"
        )
    filled = sum(int(np.isnan(year.rain_mm).sum()) for year in kept)
    return Years(
        years=[_mended(kept, place) for place in range(len(kept))],
        source=record.name,
        left_out=[year.label for year, share in zip(years, unknown, strict=True) if share > MOST_UNKNOWN],
        filled_h=filled,
        edge_h=max(0, len(record.rain_mm) - (starts[-1] - starts[0]) // HOUR_MS),
        daily=record.daily,
        stand_in=False,
        peak_factor=None if record.daily else peak_factor(record.rain_mm),
    )


def years_of_means(site: Site, monthly_mm: list[float], seed: int = _SEED) -> Years:
    """Invented years whose mean months are the ones given. [mm a month, January to December]"""
    starts = [_midnight(site, _STAND_IN_FIRST + count, 1) for count in range(STAND_IN_YEARS + 1)]
    outlook = monthly_outlook(
        monthly_mm, starts[0], 366 * 24, STAND_IN_YEARS, np.random.default_rng(seed), year_sigma=_YEAR_SIGMA
    )
    years = []
    for count, (begin, end) in enumerate(itertools.pairwise(starts)):
        rain = outlook.rain_mm[: (end - begin) // HOUR_MS, count].copy()
        years.append(Year(f"#{count + 1}", begin, rain))
    months = [local_hours(site, year.start_ms, len(year.rain_mm))[1] for year in years]
    for month, wanted in enumerate(monthly_mm, start=1):
        fell = np.mean([year.rain_mm[at == month].sum() for year, at in zip(years, months, strict=True)])
        for year, at in zip(years, months, strict=True):
            year.rain_mm[at == month] *= wanted / fell if fell > 0 else 0.0
    source = f"monthly means, {STAND_IN_YEARS} invented years"
    return Years(years, source, [], 0, daily=False, stand_in=True, peak_factor=None)


def _first_month(site: Site, record: RainRecord) -> int:
    """The month that begins first after the record does."""
    local = to_datetime(record.start_ms).astimezone(site.zone)
    begins = local.day == 1 and local.hour == 0
    return local.month if begins else local.month % 12 + 1


def _starts(site: Site, record: RainRecord, month: int) -> list[int]:
    """Local midnights of the first of a month, from the record's start to its end. [UTC ms]"""
    first, last = (to_datetime(edge).year for edge in (record.start_ms, record.end_ms))
    midnights = [_midnight(site, year, month) for year in range(first - 1, last + 2)]
    # A record in whole UTC years lacks an hour or half a day of the local ones at either end.
    return [edge for edge in midnights if record.start_ms - 14 * HOUR_MS <= edge <= record.end_ms + 14 * HOUR_MS]


def _midnight(site: Site, year: int, month: int) -> int:
    return first_hour_ms(date(year, month, 1), site.zone)


def _year(record: RainRecord, begin_ms: int, end_ms: int) -> Year:
    middle = to_datetime((begin_ms + end_ms) // 2)
    begin = to_datetime(begin_ms + 48 * HOUR_MS)
    label = f"{middle:%Y}" if begin.month == 1 else f"{begin:%Y-%m} and a year on"
    return Year(label, begin_ms, record.window(begin_ms, (end_ms - begin_ms) // HOUR_MS))


def _mended(years: list[Year], place: int) -> Year:
    """A year whose unknown hours are those of the next year that knows them; of the mean hour if none does."""
    year = years[place]
    rain = year.rain_mm.copy()
    for step in range(1, len(years)):
        other = years[(place + step) % len(years)].rain_mm
        shared = min(len(rain), len(other))
        rain[:shared] = np.where(np.isnan(rain[:shared]), other[:shared], rain[:shared])
    return year._replace(rain_mm=np.where(np.isnan(rain), np.nanmean(rain), rain))
