"""From members to what may be said: quantiles, bands, first passages, censoring.

Quantiles use Weibull plotting positions, i/(n + 1): the extreme members of an ensemble are not
its 0 % and 100 % points, and treating them so makes bands too narrow (Weibull 1939; Makkonen
2006, both from memory).
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np
import numpy.typing as npt

from forecast.result import LEVELS, Bands, Passage

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

#: Stands for what does not happen within the horizon: whatever lies between a day and this lies beyond it too. [d]
_NEVER_D: Final = 1e9


def quantiles(values: Floats, levels: tuple[float, ...] = LEVELS, *, in_place: bool = False) -> Floats:
    """Quantiles over the last axis at Weibull positions. (..., M) → (len(levels), ...)

    Levels beyond the first or last position take the extreme member. Infinite members stay
    infinite: a quantile that touches one is infinite, never an average with it.

    in_place  put the members of `values` themselves in order, which spares a copy: who is who is lost
    """
    ordered = values if in_place else values.copy()
    ordered.sort(axis=-1)
    return _of_ordered(ordered, levels)


def _of_ordered(ordered: Floats, levels: tuple[float, ...] = LEVELS) -> Floats:
    """`quantiles` of members that stand in order already."""
    places, share = _between(levels, ordered.shape[-1])
    either = ordered[..., places]
    lower, upper = either[..., 0, :], either[..., 1, :]
    if ordered.size and ordered[..., -1].max() == np.inf:
        with np.errstate(invalid="ignore"):  # the infinite less the infinite
            points = np.where(np.isinf(upper), np.where(share > 0, upper, lower), lower + share * (upper - lower))
    else:
        points = upper - lower
        points *= share
        points += lower
    return points.transpose(-1, *range(points.ndim - 1))


@lru_cache(maxsize=64)
def _between(levels: tuple[float, ...], members: int) -> tuple[Integers, Floats]:
    """The members on either side of each level (2, L), and how far it stands from the lower one to the upper (L,)."""
    position = np.clip(np.array(levels) * (members + 1) - 1, 0.0, members - 1.0)
    below = position.astype(np.int64)
    return np.stack([below, np.minimum(below + 1, members - 1)]), position - below


@lru_cache(maxsize=8)
def _ends_d(horizon_d: float) -> Floats:
    """The ends of the whole days within a horizon, and its own. [d]"""
    return np.array([*range(1, int(horizon_d) + 1), horizon_d])


def bands(values: Floats, digits: int) -> Bands:
    """The five points of an ensemble for each entry. (N, M) → Bands of N entries, rounded to `digits`"""
    return bands_of(quantiles(values), digits)


def bands_of(points: Floats, digits: int) -> Bands:
    """Bands from the five points, one a row. (5, N) → Bands of N entries, rounded to `digits`

    Whole numbers without their point: a document is a tenth shorter for it, and sooner written.
    """
    rounded = np.round(points, digits)
    return Bands(*(rounded if digits else rounded.astype(np.int64)).tolist())


def passage(passage_h: Floats, horizon_h: float, offset_h: float = 0.0) -> Passage:
    """When something happens first, by day and as quantiles of days.

    passage_h  hours from the first hour of the run; infinite where it does not happen. (M,)
    horizon_h  how far the forecast looks after its issue [h]
    offset_h   hours of the run before the issue; what happened in them counts as now [h]

    Days beyond the horizon are censored: they have no value, and there is no median when more
    than half of the members are censored.
    """
    return passages(passage_h[None], horizon_h, offset_h)[0]


def passages(passage_h: Floats, horizon_h: float, offset_h: float = 0.0) -> list[Passage]:
    """The same for several things at once, a row each. (N, M)"""
    horizon_d, members = horizon_h / 24.0, passage_h.shape[-1]
    days = np.sort(np.maximum(0.0, passage_h - offset_h) / 24.0, axis=-1)
    ends = _ends_d(horizon_d)
    chances = (np.array([row.searchsorted(ends, side="right") for row in days]) / members).tolist()
    days[days > horizon_d] = _NEVER_D
    points = np.round(_of_ordered(days).T, 2).tolist()
    return [
        Passage(by_day, within, *(point if point <= horizon_d else None for point in row))
        for (*by_day, within), row in zip(chances, points, strict=True)
    ]
