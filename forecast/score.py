"""How good forecasts were, once the truth is known. Pure.

Members stand on the last axis and weigh alike; a point forecast is an ensemble of one, whose
CRPS is its absolute error.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

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
