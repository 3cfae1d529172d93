"""A rain record: hourly or daily rain of past years, from a CSV file.

The file has the columns `time` (RFC 3339, start of the interval) and `rain_mm`. The days of a daily
record are dates at the site, and their rain is laid on hours by a stated rule, see
`forecast.outlook.days`. An hour without a row is missing, which is not zero.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from forecast.outlook.days import named_day, spread_days
from forecast.outlook.limits import MOST_MM_DAY, MOST_MM_HOUR
from ingest.errors import RecordFileError
from ingest.instants import DAY_MS, HOUR_MS, to_rfc3339

if TYPE_CHECKING:
    import pandas as pd

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

#: Midnights of one place are whole days apart but for so much: summer time, and the double one of old. [ms]
_OFF_MS: Final = 2 * HOUR_MS
#: Of a first line that is not understood, so much is told.
_FOUND_LETTERS: Final = 60


@dataclass(frozen=True)
class RainRecord:
    """rain_mm[i] fell in the hour from `start_ms` + i h on [mm]; NaN: not known. `name` says whose it is."""

    start_ms: int
    rain_mm: Floats
    name: str
    daily: bool = False

    @property
    def end_ms(self) -> int:
        return self.start_ms + HOUR_MS * len(self.rain_mm)

    @cached_property
    def unknown_before(self) -> Integers:
        """Unknown hours before each hour, and in all. (hours + 1,)"""
        return np.concatenate([[0], np.cumsum(np.isnan(self.rain_mm))])

    @cached_property
    def fell_before_mm(self) -> Floats:
        """Rain known to have fallen before each hour, and in all. (hours + 1,) [mm]"""
        return np.concatenate([[0.0], np.nancumsum(self.rain_mm)])

    def window(self, start_ms: int, hours: int) -> Floats:
        """Rain of `hours` hours from `start_ms` on; NaN outside the record. (hours,) [mm]"""
        out = np.full(hours, np.nan)
        first = (start_ms - self.start_ms) // HOUR_MS
        low, high = max(0, first), min(len(self.rain_mm), first + hours)
        if low < high:
            out[low - first : high - first] = self.rain_mm[low:high]
        return out


def read_record(path: Path, zone: ZoneInfo) -> RainRecord:
    """Read a rain record; `zone` is the site's, whose dates the days of a daily record are.

    Raises RecordFileError naming the first bad row and the remedy.
    """
    import pandas as pd  # noqa: PLC0415 - 60 MB, and only where a record is read

    try:
        table = pd.read_csv(path, comment="#", dtype={"time": str})
    except (OSError, ValueError) as error:
        raise RecordFileError(f"{path}: not a readable CSV file ({error})") from error
    missing = {"time", "rain_mm"} - set(table.columns)
    if missing:
        found = ",".join(map(str, table.columns))[:_FOUND_LETTERS]
        raise RecordFileError(
            f"{path}: no column {' and '.join(sorted(missing))} in its first line ({found}); it needs time,rain_mm"
        )
    if table.empty:
        raise RecordFileError(f"{path}: no rows below the header")
    times = pd.to_datetime(table["time"], utc=True, errors="coerce", format="ISO8601")
    rain = pd.to_numeric(table["rain_mm"], errors="coerce")
    _refuse(path, table, times.isna(), "a time such as 2026-03-01T12:00:00Z")
    _refuse(path, table, rain.isna() & table["rain_mm"].notna(), "a number of millimetres, or nothing where not known")
    _refuse(path, table, rain < 0, "rain of 0 mm or more; leave it empty where it is not known")
    _refuse(path, table, times.duplicated(), "each time once")
    series = pd.Series(rain.to_numpy(dtype=float), index=pd.DatetimeIndex(times)).sort_index()
    earliest = pd.Timestamp(table["time"].iloc[int(times.argmin())]).to_pydatetime(warn=False)
    return _hourly(path, series, named_day(earliest, zone), zone)


def read_records(paths: Mapping[str, Path], zones: Mapping[str, ZoneInfo]) -> dict[str, RainRecord]:
    """Several of them, by any key, of sites in these zones. Raises RecordFileError."""
    return {key: read_record(path, zones[key]) for key, path in paths.items()}


def _hourly(path: Path, series: pd.Series[float], first: date, zone: ZoneInfo) -> RainRecord:
    times = series.index.to_numpy(dtype="datetime64[ms]").astype(np.int64)
    steps, counts = np.unique(np.diff(times), return_counts=True)
    step = int(steps[np.argmax(counts)]) if len(steps) else HOUR_MS
    daily = abs(step - DAY_MS) <= _OFF_MS
    if step != HOUR_MS and not daily:
        raise RecordFileError(f"{path}: the rows are {step / HOUR_MS:g} h apart; give hourly or daily rain")
    rain = np.asarray(series, dtype=np.float64)
    if np.nanmax(rain, initial=0.0) > (MOST_MM_DAY if daily else MOST_MM_HOUR):
        row = int(np.nanargmax(rain))
        raise RecordFileError(
            f"{path}: {rain[row]:g} mm at {to_rfc3339(int(times[row]))} is more than ever fell in one step: "
            "is the unit mm?"
        )
    if daily:
        return RainRecord(*spread_days(first, _by_day(path, times, rain), zone), path.stem, daily)
    start_ms = int(times[0]) - int(times[0]) % HOUR_MS
    return RainRecord(start_ms, _placed((times - start_ms) // HOUR_MS, rain), path.stem)


def _by_day(path: Path, times_ms: Integers, rain_mm: Floats) -> Floats:
    """Rain of each day from the first on; NaN without a row. Times of one place's days, also across summer time."""
    after = times_ms - times_ms[0]
    places = (after + DAY_MS // 2) // DAY_MS
    bad = np.abs(after - places * DAY_MS) > _OFF_MS
    bad[1:] |= np.diff(places) == 0
    if bad.any():
        row = int(np.argmax(bad))
        raise RecordFileError(
            f"{path}: {to_rfc3339(int(times_ms[row]))} does not start a day like the rows before it; "
            "write the date alone, such as 2026-03-01, and each date once"
        )
    return _placed(places, rain_mm)


def _placed(places: Integers, rain_mm: Floats) -> Floats:
    filled = np.full(int(places[-1]) + 1, np.nan)
    filled[places] = rain_mm
    return filled


def _refuse(path: Path, table: pd.DataFrame, bad: pd.Series[bool], expected: str) -> None:
    if bad.any():
        row = int(np.argmax(bad.to_numpy()))
        found = ", ".join(str(value) for value in table.loc[row, ["time", "rain_mm"]])
        raise RecordFileError(f"{path}: data row {row + 1} ({found}): expected {expected}")
