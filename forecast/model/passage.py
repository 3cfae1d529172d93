"""From members to what may be said: quantiles, bands, first passages, censoring.

Quantiles use Weibull plotting positions, i/(n + 1): the extreme members of an ensemble are not
its 0 % and 100 % points, and treating them so makes bands too narrow (Weibull 1939; Makkonen
2006, both from memory).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from forecast.result import LEVELS, Bands, Passage

Floats = npt.NDArray[np.float64]


def quantiles(values: Floats, levels: tuple[float, ...] = LEVELS) -> Floats:
    """Quantiles over the last axis at Weibull positions. (..., M) → (len(levels), ...)

    Levels beyond the first or last position take the extreme member. Infinite members stay
    infinite: a quantile that touches one is infinite, never an average with it.
    """
    ordered = np.sort(values, axis=-1)
    members = ordered.shape[-1]
    position = np.clip(np.array(levels) * (members + 1) - 1, 0.0, members - 1.0)
    below = position.astype(np.int64)
    share = position - below
    lower, upper = ordered[..., below], ordered[..., np.minimum(below + 1, members - 1)]
    if np.isinf(ordered[..., -1]).any():
        with np.errstate(invalid="ignore"):
            between = np.where(np.isinf(upper), np.where(share > 0, upper, lower), lower + share * (upper - lower))
    else:
        between = lower + share * (upper - lower)
    return np.moveaxis(between, -1, 0)


def bands(values: Floats, digits: int) -> Bands:
    """The five points of an ensemble for each entry. (N, M) → Bands of N entries, rounded to `digits`"""
    return bands_of(quantiles(values), digits)


def bands_of(points: Floats, digits: int) -> Bands:
    """Bands from the five points, one a row. (5, N) → Bands of N entries, rounded to `digits`"""
    return Bands(*np.round(points, digits).tolist())


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
    days = np.maximum(0.0, passage_h - offset_h) / 24.0
    horizon_d = horizon_h / 24.0
    days = np.where(days <= horizon_d, days, np.inf)
    by_day = (days[:, None, :] <= np.arange(1, int(horizon_d) + 1)[:, None]).mean(axis=-1).tolist()
    within = np.isfinite(days).mean(axis=-1).tolist()
    points = quantiles(days).T.tolist()
    return [
        Passage(chances, chance, *(round(point, 2) if point < np.inf else None for point in row))
        for chances, chance, row in zip(by_day, within, points, strict=True)
    ]
