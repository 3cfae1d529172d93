"""Levels that can be believed: a sensor shows the same height each time the tank runs over, or it has moved.

While a tank runs over, its water stands at the brim whatever the sensor says; while it is used up,
at the outlet. What the sensor shows then, less the true height, is its error, and corrects it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from ingest.instants import DAY_MS, HOUR_MS

Floats = npt.NDArray[np.float64]
Truths = npt.NDArray[np.bool_]

#: An error larger than this is another fault: the tank is not as the file says. [m]
LARGEST_M: Final = 0.08
#: The level should have risen by this much more than it did before the tank counts as running over. [m]
EXPECTED_RISE_M: Final = 0.01
#: A smaller error than this is how a sensor is mounted, or water standing over the brim; a change of less
#: than this is noise. [m] (common practice, no source)
MOUNTED_M: Final = 0.02
CHANGE_M: Final = 0.008
#: Hours at the brim and days with them that it takes to say anything; errors are medians over so many days.
FEWEST_HOURS: Final = 6
FEWEST_DAYS: Final = 3
OVER_DAYS: Final = 30
SCATTER_M: Final = 0.006
#: The water may leave the brim within the hour: what a level has fallen from its neighbour's counts less. [m]
STILL_M: Final = 0.008
#: A tank is used up when its level falls by less than this in so many hours of use. [m], [h] (no source)
EMPTY_STILL_M: Final = 0.003
USED_UP_H: Final = 8


class Marks(NamedTuple):
    """Hours in which a tank stood at a known height, and what the sensor then showed too much. (N,), (N,) [m]"""

    at_h: npt.NDArray[np.int64]
    error_m: Floats


class SensorError(NamedTuple):
    """What a level sensor shows too much. [m]

    at_h, error_m  hours of the account and the error there, between them a line (N,)
    change_m       from the first to the last of them
    hours          at the brim or the outlet, from which it was told
    """

    at_h: Floats
    error_m: Floats
    change_m: float
    hours: int

    @property
    def stands_out(self) -> bool:
        """Whether it is more than how sensors are mounted, or changes."""
        return abs(self.change_m) > CHANGE_M or float(np.abs(self.error_m).max()) > MOUNTED_M

    def error_at(self, hours: npt.NDArray[np.int64]) -> Floats:
        """The error at some hours of the account. (N,) [m]"""
        return np.asarray(np.interp(hours, self.at_h, self.error_m))

    def corrected(self, level_m: Floats) -> Floats:
        """The level less the error. (H + 1,)"""
        return np.asarray(level_m - self.error_at(np.arange(len(level_m))))


def sensor_error(marks: Sequence[Marks]) -> SensorError | None:
    """The error of a level sensor from the hours in which its tank stood at a known height. None: too few of them."""
    at = np.concatenate([mark.at_h for mark in marks])
    error = np.concatenate([mark.error_m for mark in marks])
    if len(at) < FEWEST_HOURS or len(np.unique(at // 24)) < FEWEST_DAYS:
        return None
    block = at * HOUR_MS // (OVER_DAYS * DAY_MS)
    hours, errors = [], []
    for number in np.unique(block):
        inside = block == number
        middle = float(np.median(error[inside]))
        # A brim is a height; what scatters was no brim.
        if inside.sum() >= FEWEST_HOURS // 2 and np.median(np.abs(error[inside] - middle)) < SCATTER_M:
            hours.append(float(np.median(at[inside])))
            errors.append(middle)
    if not hours:
        return None
    return SensorError(np.array(hours), np.array(errors), errors[-1] - errors[0], len(at))


def at_the_brim(level_m: Floats, brim_m: float, expected_rise_m: Floats) -> Marks:
    """Hours in which the tank ran over: its level stood still though much came in.

    level_m          at the full hours (H + 1,)
    expected_rise_m  by which the level would have risen in an unlimited tank (H,)
    """
    before, after = level_m[:-1], level_m[1:]
    with np.errstate(invalid="ignore"):
        over = (
            (expected_rise_m > EXPECTED_RISE_M)
            & (np.abs(after - before) < np.minimum(0.25 * expected_rise_m, STILL_M))
            & (np.abs(before - brim_m) < LARGEST_M)
            & (np.abs(after - brim_m) < LARGEST_M)
        )
    at = np.flatnonzero(over)
    return Marks(at, (before[at] + after[at]) / 2 - brim_m)


def at_the_outlet(mean_m: Floats, outlet_m: float, thirsty: Truths) -> Marks:
    """Hours in which the tank was used up: its level stood still though people wanted water and none came in.

    mean_m   mean level within each hour (H,)
    thirsty  hours of use without rain (H,)
    """
    later = np.roll(mean_m, -USED_UP_H)
    waited = np.convolve(thirsty, np.ones(USED_UP_H + 1))[USED_UP_H:] == USED_UP_H + 1
    with np.errstate(invalid="ignore"):
        empty = waited & (np.abs(later - mean_m) < EMPTY_STILL_M) & (np.abs(mean_m - outlet_m) < LARGEST_M)
    at = np.flatnonzero(empty[: len(mean_m) - USED_UP_H])
    return Marks(at, mean_m[at] - outlet_m)
