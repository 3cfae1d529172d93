"""How good forecasts were, once the truth is known. Pure.

Members stand on the last axis and weigh alike; a point forecast is an ensemble of one, whose
CRPS is its absolute error.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from forecast.result import LEVELS

Floats = npt.NDArray[np.float64]
Truths = npt.NDArray[np.bool_]

TENTHS: Final = 10


def crps(members: Floats, came: npt.ArrayLike) -> Floats:
    """Continuous ranked probability score of ensembles, in their own unit; lower is better.

    members (..., M), came (...) → (...). The mean distance of the members from what came, less half
    their mean distance from each other, from the sorted members in M log M (Gneiting and Raftery
    2007, equation 21; Hersbach 2000 for the sorted form, both from memory).
    """
    ordered = np.sort(members, axis=-1)
    count = ordered.shape[-1]
    weight = (2.0 * np.arange(1, count + 1) - count - 1) / count**2
    error = np.abs(ordered - np.asarray(came, dtype=np.float64)[..., None]).mean(axis=-1)
    return np.asarray(error - ordered @ weight)


def crps_until(members: Floats, came: npt.ArrayLike, horizon: float) -> Floats:
    """CRPS of a time until something happens, as far as the horizon; infinite: it did not happen.

    Both sides are cut off at the horizon, so "not within 16 days" is one outcome, however long
    it takes afterwards. That is the threshold-weighted CRPS whose weight is 1 before the horizon
    and 0 beyond it (Gneiting and Ranjan 2011, from memory): it stays proper, and nobody is scored
    for days that nobody has seen.
    """
    return crps(np.minimum(members, horizon), np.minimum(np.asarray(came, dtype=np.float64), horizon))


def crps_of_points(points: Floats, came: npt.ArrayLike) -> Floats:
    """CRPS of forecasts that are kept as quantiles at `LEVELS`. (..., 5), (...) → (...)

    Twice the quantile score, averaged over all levels (Gneiting and Ranjan 2011, from memory), each
    point standing for the levels nearest to it. Of five equal points it is the absolute error, so
    a single number is judged on the same scale.
    """
    levels = np.array(LEVELS)
    borders = np.concatenate([[0.0], (levels[:-1] + levels[1:]) / 2, [1.0]])
    error = np.asarray(came, dtype=np.float64)[..., None] - points
    above = levels * np.diff(borders)
    below = (1.0 - levels) * np.diff(borders)
    return np.asarray(2.0 * (np.maximum(0.0, error) @ above + np.maximum(0.0, -error) @ below))


def crps_of_days(chance: Floats, came_d: npt.ArrayLike, at_once: npt.ArrayLike = 0.0) -> Floats:
    """CRPS of a time until something happens, from its chance by each day, up to the last day. [d]

    chance   that it has happened by day 1, 2, … (..., D); in between it rises evenly
    came_d   when it happened; infinite: it did not (...)
    at_once  chance that it has happened at the issue (...)

    The integral of (F(t) − 1{t ≥ came})² over the horizon, in closed form day by day; weighted as
    `crps_until`.
    """
    days = chance.shape[-1]
    begin = np.concatenate([np.broadcast_to(np.asarray(at_once)[..., None], (*chance.shape[:-1], 1)), chance], axis=-1)
    low, high = begin[..., :-1], begin[..., 1:]
    share = np.clip(np.asarray(came_d, dtype=np.float64)[..., None] - np.arange(days), 0.0, 1.0)
    at = low + share * (high - low)
    return np.asarray((share * _mean_square(low, at) + (1 - share) * _mean_square(1 - at, 1 - high)).sum(axis=-1))


def _mean_square(first: Floats, last: Floats) -> Floats:
    """Mean of the square of what goes evenly from one value to another."""
    return np.asarray((first**2 + first * last + last**2) / 3.0)


def brier(chance: npt.ArrayLike, happened: npt.ArrayLike) -> Floats:
    """Squared distance of chances from what happened, 0 or 1. (...) → (...)"""
    return np.asarray((np.asarray(chance, dtype=np.float64) - np.asarray(happened, dtype=np.float64)) ** 2)


def interval_score(low: npt.ArrayLike, high: npt.ArrayLike, came: npt.ArrayLike, alpha: float) -> Floats:
    """Width of a central band that should miss a share `alpha`, plus 2/alpha times the miss.

    Gneiting and Raftery 2007, equation 43 (from memory).
    """
    low, high, came = (np.asarray(values, dtype=np.float64) for values in (low, high, came))
    return np.asarray(high - low + 2 / alpha * (np.maximum(0.0, low - came) + np.maximum(0.0, came - high)))


def coverage(low: npt.ArrayLike, high: npt.ArrayLike, came: npt.ArrayLike) -> float:
    """Share of bands that held what came, their ends included. Not a number where there is no band."""
    low, high, came = (np.asarray(values, dtype=np.float64) for values in (low, high, came))
    return float(np.mean((low <= came) & (came <= high))) if came.size else float("nan")


def rank_share(members: Floats, came: npt.ArrayLike, chance: npt.ArrayLike) -> Floats:
    """Where what came stands among the members: 0 below all, 1 above all. (..., M), (...) → (...)

    Where members tie with what came, as on an empty or a brimming tank, `chance` in [0, 1) places
    it among them (the randomised probability integral transform; Czado, Gneiting and Held 2009,
    from memory). Of a forecast that means what it says, a share s lies below s. A band's `coverage`
    has no such remedy: it holds every truth on which it stands, so it is larger where tanks
    are empty or full.
    """
    came = np.asarray(came, dtype=np.float64)[..., None]
    below = (members < came).sum(axis=-1)
    level = (members == came).sum(axis=-1)
    return np.asarray((below + np.asarray(chance) * (level + 1)) / (members.shape[-1] + 1))


class Tenth(NamedTuple):
    """Chances between `low` and `high`: how many, their mean, and the share of them that came true."""

    low: float
    high: float
    cases: int
    said: float
    came: float


def reliability(chance: npt.ArrayLike, happened: npt.ArrayLike) -> list[Tenth]:
    """Chances by tenths, each beside how often it came true; tenths without a case are left out."""
    chance, happened = np.ravel(np.asarray(chance, dtype=np.float64)), np.ravel(np.asarray(happened, dtype=np.float64))
    tenth = np.minimum((chance * TENTHS).astype(int), TENTHS - 1)
    table = []
    for index in np.unique(tenth).tolist():
        inside = tenth == index
        table.append(
            Tenth(
                index / TENTHS,
                (index + 1) / TENTHS,
                int(inside.sum()),
                float(chance[inside].mean()),
                float(happened[inside].mean()),
            )
        )
    return table
