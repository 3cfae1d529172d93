"""A rain record: hourly or daily rain of past years, from a CSV file.

The file has the columns `time` (RFC 3339, start of the interval) and `rain_mm`. A day's rain is
spread over its hours by a stated rule, see `spread_daily`. An hour without a row is missing,
which is not zero.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt

from forecast.outlook.limits import MOST_MM_DAY, MOST_MM_HOUR
from ingest.errors import RecordFileError
from ingest.instants import DAY_MS, HOUR_MS, to_rfc3339

if TYPE_CHECKING:
    import pandas as pd

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

#: A daily fall is laid on these hours of its day: an even spell around the middle.
_SPELL: Final = (9, 15)
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


def read_record(path: Path) -> RainRecord:
    """Read a rain record. Raises RecordFileError naming the first bad row and the remedy."""
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
    return _hourly(path, series)


def read_records(paths: Mapping[str, Path]) -> dict[str, RainRecord]:
    """Several of them, by any key. Raises RecordFileError."""
    return {key: read_record(path) for key, path in paths.items()}


def spread_daily(rain_mm: Floats) -> Floats:
    """Hourly rain from daily: an even spell from 09 to 15 h of the day. (D,) → (24·D,) [mm], totals kept

    A day's rain that fell in minutes is understated in its peak: gutters and first flush look
    better than they are.
    """
    hours = np.where(np.isnan(rain_mm), np.nan, 0.0)[:, None].repeat(24, axis=1)
    hours[:, _SPELL[0] : _SPELL[1]] += rain_mm[:, None] / (_SPELL[1] - _SPELL[0])
    return np.asarray(hours.ravel())


def _hourly(path: Path, series: pd.Series[float]) -> RainRecord:
    times = series.index.to_numpy(dtype="datetime64[ms]").astype(np.int64)
    steps, counts = np.unique(np.diff(times), return_counts=True)
    step = int(steps[np.argmax(counts)]) if len(steps) else HOUR_MS
    if step not in (HOUR_MS, DAY_MS):
        raise RecordFileError(f"{path}: the rows are {step / HOUR_MS:g} h apart; give hourly or daily rain")
    most = MOST_MM_HOUR if step == HOUR_MS else MOST_MM_DAY
    rain = series.to_numpy(dtype=float)
    if np.nanmax(rain, initial=0.0) > most:
        row = int(np.nanargmax(rain))
        raise RecordFileError(
            f"{path}: {rain[row]:g} mm at {to_rfc3339(int(times[row]))} is more than ever fell in one step: "
            "is the unit mm?"
        )
    start_ms = int(times[0]) - int(times[0]) % HOUR_MS
    places = (times - start_ms) // step
    off_grid = (times - start_ms) % step >= HOUR_MS
    if step == DAY_MS and off_grid.any():
        row = int(np.argmax(off_grid))
        raise RecordFileError(f"{path}: {to_rfc3339(int(times[row]))} does not start a day like the rows before it")
    filled = np.full(int(places[-1]) + 1, np.nan)
    filled[places] = rain
    daily = step == DAY_MS
    return RainRecord(start_ms, spread_daily(filled) if daily else filled, path.stem, daily)


def _refuse(path: Path, table: pd.DataFrame, bad: pd.Series[bool], expected: str) -> None:
    if bad.any():
        row = int(np.argmax(bad.to_numpy()))
        found = ", ".join(str(value) for value in table.loc[row, ["time", "rain_mm"]])
        raise RecordFileError(f"{path}: data row {row + 1} ({found}): expected {expected}")
