"""Running totals: only their increase means anything.

A total survives gaps: what passed while nothing was heard is in the next reading. When it
falls, the counter began anew, and what it shows is what passed since; what passed between the
last reading and that moment is not known, so such an increment is a lower bound, and flagged.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from ingest.reading import Reading

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

#: A fall by less than this share of the total is rounding or a late copy, not a new beginning.
_JITTER: Final = 0.001


class Increment(NamedTuple):
    """What passed in `(start_ms, end_ms]`, in the unit of the total, never negative.

    reset  the counter began anew within it: the amount is a lower bound
    """

    start_ms: int
    end_ms: int
    amount: float
    reset: bool = False


def increments(readings: Iterable[Reading]) -> list[Increment]:
    """Increments between the readings of one running total, which may be in any order.

    Suspect readings are left out. One reading alone says nothing: there is no increment then.
    """
    usable = sorted((reading.time_ms, reading.value) for reading in readings if reading.usable)
    found: list[Increment] = []
    if not usable:
        return found
    time_ms, total = usable[0]
    for later_ms, value in usable[1:]:
        if later_ms == time_ms:
            continue
        if value >= total:
            found.append(Increment(time_ms, later_ms, value - total))
            total = value
        elif total - value <= _JITTER * total:
            found.append(Increment(time_ms, later_ms, 0.0))  # the highest total stays the one to pass
        else:
            found.append(Increment(time_ms, later_ms, max(0.0, value), reset=True))
            total = value
        time_ms = later_ms
    return found


def spread(found: Iterable[Increment], every_ms: int) -> dict[int, float]:
    """Amounts by interval `[start, start + every_ms)`, aligned to the epoch, keyed by start. [ms]

    An increment over several intervals is spread evenly over its time. An interval of which
    nothing is known is absent; one with zero is known to be zero.
    """
    amounts: dict[int, float] = {}
    for start_ms, end_ms, amount, _reset in found:
        slot = start_ms - start_ms % every_ms
        while slot < end_ms:
            within = min(end_ms, slot + every_ms) - max(start_ms, slot)
            amounts[slot] = amounts.get(slot, 0.0) + amount * within / (end_ms - start_ms)
            slot += every_ms
    return amounts


def amounts(times_ms: Integers, totals: Floats, start_ms: int, every_ms: int, slots: int) -> Floats:
    """What passed in each interval `[start_ms + k·every_ms, …)`, as `spread` has it of `increments`. (slots,)

    times_ms, totals  usable readings of one running total, each instant once, in order (N,)
    An interval of which nothing is known is NaN.
    """
    if len(times_ms) < 2:
        return np.full(slots, np.nan)
    if (np.diff(totals) >= 0).all():
        passed = totals - totals[0]
    else:  # it began anew, or jitters: hour by hour
        readings = [
            Reading("", time, "", total) for time, total in zip(times_ms.tolist(), totals.tolist(), strict=True)
        ]
        passed = np.concatenate([[0.0], np.cumsum([entry.amount for entry in increments(readings)])])
    edges = start_ms + every_ms * np.arange(slots + 1, dtype=np.int64)
    within = np.diff(np.interp(edges, times_ms, passed))
    known = (edges[1:] > times_ms[0]) & (edges[:-1] < times_ms[-1])
    return np.where(known, within, np.nan)
