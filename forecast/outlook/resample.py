"""From intervals of any length to hours. Pure.

Weather services give amounts and means over intervals that differ in length, overlap and leave
gaps. The finer of two that overlap wins, member by member; what the coarser one holds beyond it
lies evenly on the part that nothing finer covers.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from forecast.outlook.delivery import Delivery, Integers, Intervals
from forecast.outlook.ensemble import Floats, Outlook
from ingest.instants import HOUR_MS, floor_hour

#: Instants further apart than this are not joined by a line. (common practice, no source)
LONGEST_JOIN_MS: Final = 12 * HOUR_MS


def to_outlook(delivery: Delivery) -> Outlook:
    """A delivery on the hours that its rain spans."""
    start_ms = floor_hour(int(delivery.rain.start_ms.min()))
    hours = -((start_ms - int(delivery.rain.end_ms.max())) // HOUR_MS)
    return Outlook(
        rain_mm=hourly_amounts(delivery.rain, start_ms, hours),
        start_ms=start_ms,
        source=delivery.source,
        issued_ms=delivery.issued_ms,
        distinct=delivery.rain.values.shape[1],
        temperature_c=None if delivery.temperature is None else hourly_means(delivery.temperature, start_ms, hours),
        radiation_w_m2=None if delivery.radiation is None else hourly_means(delivery.radiation, start_ms, hours),
        valid_until_ms=delivery.valid_until_ms,
        notes=delivery.notes,
    )


def hourly_amounts(given: Intervals, start_ms: int, hours: int) -> Floats:
    """Amounts of each hour from `start_ms` on. (hours, M), NaN where nothing is known

    The total is kept: of intervals that do not overlap to the last digit, and of a coarse one
    with finer ones inside it too, unless these alone hold more. An hour that is known in part
    carries what is known.
    """
    cuts, pieces = _pieces(given, start_ms, hours)
    amounts = np.full((len(cuts) - 1, given.values.shape[1]), np.nan)
    for row, first, last in pieces:
        piece = amounts[first:last]
        free = np.isnan(piece)
        length = np.diff(cuts[first : last + 1])[:, None] * free
        rest = np.maximum(0.0, given.values[row] - np.where(free, 0.0, piece).sum(axis=0))
        share = length / np.maximum(1, length.sum(axis=0))
        # A member whose value is not known leaves its pieces to coarser intervals: NaN stays NaN.
        piece[free] = (share * rest)[free]
    return _gathered(cuts, amounts, np.ones(len(amounts)), start_ms, hours)[0]


def hourly_means(given: Intervals, start_ms: int, hours: int) -> Floats:
    """Means of each hour from `start_ms` on, weighted by time. (hours, M), NaN where nothing is known"""
    cuts, pieces = _pieces(given, start_ms, hours)
    means = np.full((len(cuts) - 1, given.values.shape[1]), np.nan)
    for row, first, last in pieces:
        piece = means[first:last]
        piece[:] = np.where(np.isnan(piece), given.values[row], piece)
    total, time = _gathered(cuts, means, np.diff(cuts).astype(np.float64), start_ms, hours)
    return np.asarray(total / np.where(time > 0, time, np.nan))


def between_instants(times_ms: Integers, values: Floats) -> Intervals:
    """Means between values that hold at instants, joined by straight lines. (N,), (N, M) → N − 1 intervals

    Instants further apart than LONGEST_JOIN_MS stay unjoined: a gap.
    """
    near = np.diff(times_ms) <= LONGEST_JOIN_MS
    # Cut at the hours within, so that each hour gets its own mean and not that of six.
    starts, ends, means = [times_ms[:0]], [times_ms[:0]], [values[:0]]
    for row in np.flatnonzero(near):
        begin, end = int(times_ms[row]), int(times_ms[row + 1])
        cuts = np.unique(np.concatenate([[begin, end], np.arange(floor_hour(begin) + HOUR_MS, end, HOUR_MS)]))
        middle = ((cuts[:-1] + cuts[1:]) / 2 - begin) / (end - begin)
        starts.append(cuts[:-1])
        ends.append(cuts[1:])
        means.append(values[row] + middle[:, None] * (values[row + 1] - values[row]))
    return Intervals(np.concatenate(starts), np.concatenate(ends), np.concatenate(means))


def _pieces(given: Intervals, start_ms: int, hours: int) -> tuple[Integers, list[tuple[int, int, int]]]:
    """All instants at which something begins or ends, hours too, and each interval's pieces, finest first."""
    grid = start_ms + HOUR_MS * np.arange(hours + 1, dtype=np.int64)
    cuts = np.unique(np.concatenate([given.start_ms, given.end_ms, grid]))
    first, last = np.searchsorted(cuts, given.start_ms), np.searchsorted(cuts, given.end_ms)
    order = np.lexsort((given.start_ms, given.end_ms - given.start_ms))
    return cuts, [(int(row), int(first[row]), int(last[row])) for row in order]


def _gathered(cuts: Integers, values: Floats, weight: Floats, start_ms: int, hours: int) -> tuple[Floats, Floats]:
    """Weighted sums over each hour's pieces, NaN where all are unknown; and the weight that is known. (hours, M)"""
    hour = (cuts[:-1] - start_ms) // HOUR_MS
    inside = (hour >= 0) & (hour < hours)
    known = ~np.isnan(values[inside])
    weighted = np.where(known, values[inside], 0.0) * weight[inside, None]
    total = np.zeros((hours, values.shape[1]))
    time = np.zeros((hours, values.shape[1]))
    np.add.at(total, hour[inside], weighted)
    np.add.at(time, hour[inside], known * weight[inside, None])
    return np.where(time > 0, total, np.nan), time
