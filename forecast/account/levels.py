"""Levels that can be believed: a sensor shows the same height each time the tank runs over, or it has moved.

While a tank runs over, its water stands at the brim whatever the sensor says; while it is used up,
at the outlet. What the sensor shows then, less the true height, is its error, and corrects it.
"""

from __future__ import annotations

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


class SensorError(NamedTuple):
    """What a level sensor shows too much. [m]

    at_h, error_m  hours of the account and the error there, between them a line (N,)
    change_m       from the first to the last of them
    hours          at the brim, from which it was told
    """

    at_h: Floats
    error_m: Floats
    change_m: float
    hours: int

    @property
    def stands_out(self) -> bool:
        """Whether it is more than how sensors are mounted, or changes."""
        return abs(self.change_m) > CHANGE_M or float(np.abs(self.error_m).max()) > MOUNTED_M

    def corrected(self, level_m: Floats) -> Floats:
        """The level less the error. (H + 1,)"""
        return np.asarray(level_m - np.interp(np.arange(len(level_m)), self.at_h, self.error_m))


def sensor_error(level_m: Floats, brim_m: float, expected_rise_m: Floats) -> SensorError | None:
    """The error of a level sensor from the hours in which its tank ran over. None where these are too few.

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
    if len(at) < FEWEST_HOURS or len(np.unique(at // 24)) < FEWEST_DAYS:
        return None
    error = (before[at] + after[at]) / 2 - brim_m
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
