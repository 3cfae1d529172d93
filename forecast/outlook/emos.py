"""Correcting the bias and the spread of a weather ensemble by its own past.

Nonhomogeneous regression with a left-censored logistic distribution on the square root of the
rain (Messner et al. 2014, Monthly Weather Review 142; Gneiting et al. 2005 for the idea; from
memory): with r = √rain, the location is a + b·mean(r) and the scale exp(c + d·log sd(r)) of
the members; rain is dry where the variable is below zero. Fitted by maximum likelihood.

It is only worth having with many cases: see FEWEST_CASES.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize
from scipy.special import log_expit, logit

from forecast.outlook.ensemble import Floats, Outlook
from ingest.errors import OutlookError
from ingest.instants import HOUR_MS

#: With fewer past cases than this a correction does harm as easily as good: see
#: tests/forecast/outlook/test_emos.py.
FEWEST_CASES: Final = 300
#: Members that agree to the last digit still err. [√mm]
_LEAST_SD: Final = 1e-2
#: Bounds of a, b, c, d that keep a fit on odd cases finite.
_BOUNDS: Final = ((-20.0, 20.0), (-5.0, 5.0), (-5.0, 5.0), (-3.0, 3.0))
_DAY_H: Final = 24


@dataclass(frozen=True)
class Emos:
    """A fitted correction: a, b, c, d as above, from so many cases."""

    coefficients: tuple[float, float, float, float]
    cases: int

    def quantiles(self, ensemble_mm: Floats, shares: Floats) -> Floats:
        """Corrected rain at shares of probability between 0 and 1. (N, M), (Q,) → (N, Q) [mm]"""
        location, scale = _law(np.array(self.coefficients), *predictors(ensemble_mm).T)
        root = location[:, None] + scale[:, None] * logit(shares)
        return np.asarray(np.maximum(0.0, root) ** 2)


def predictors(ensemble_mm: Floats) -> Floats:
    """Mean, and log of the standard deviation, of the members' square roots. (N, M) → (N, 2)"""
    root = np.sqrt(ensemble_mm)
    sd = root.std(axis=1, ddof=1) if root.shape[1] > 1 else np.ones(len(root))
    return np.stack([root.mean(axis=1), np.log(np.maximum(sd, _LEAST_SD))], axis=1)


def fit_emos(said: Floats, observed_mm: Floats, *, fewest: int = FEWEST_CASES) -> Emos:
    """Fit on past cases: what `predictors` makes of the ensemble, (N, 2), and what fell, (N,) [mm].

    A case with anything unknown in it does not count. Raises OutlookError with too few cases.
    """
    known = ~(np.isnan(said).any(axis=1) | np.isnan(observed_mm))
    cases = int(known.sum())
    if cases < fewest:
        raise OutlookError(f"{cases} past cases are too few to correct an outlook: it takes {fewest}")
    mean, log_sd = said[known].T
    root = np.sqrt(observed_mm[known])

    def unlikelihood(coefficients: Floats) -> float:
        location, scale = _law(coefficients, mean, log_sd)
        away = (root - location) / scale
        dry = log_expit(-location / scale)
        wet = log_expit(away) + log_expit(-away) - np.log(scale)
        return float(-np.where(root > 0, wet, dry).mean())

    found = minimize(unlikelihood, np.array([0.0, 1.0, 0.0, 0.0]), method="L-BFGS-B", bounds=_BOUNDS)
    a, b, c, d = (float(value) for value in found.x)
    return Emos((a, b, c, d), cases)


def correct(outlook: Outlook, by_day: dict[int, Emos], first_ms: int, rng: np.random.Generator) -> Outlook:
    """The outlook with the rain of each whole day corrected, as far as there is a fit for that day.

    by_day    fits by lead: 0 is the day from `first_ms` on
    Each member keeps its rank and its course within the day (ensemble copula coupling, Schefzik
    et al. 2013, Statistical Science 28; from memory); one that was dry and must be wet gets the mean
    course of the others.
    """
    rain = outlook.rain_mm.copy()
    shares = (np.arange(outlook.members) + 0.5) / outlook.members
    for day, emos in by_day.items():
        begin = (first_ms - outlook.start_ms) // HOUR_MS + day * _DAY_H
        hours = rain[begin : begin + _DAY_H] if begin >= 0 else rain[:0]
        if len(hours) < _DAY_H or np.isnan(hours).any():
            continue
        totals = hours.sum(axis=0)
        order = np.lexsort((rng.random(outlook.members), totals))
        wanted = np.empty(outlook.members)
        wanted[order] = emos.quantiles(totals[None, :], shares)[0]
        mean = hours.mean(axis=1)
        course = mean / mean.sum() if mean.sum() > 0 else np.full(_DAY_H, 1 / _DAY_H)
        own = hours / np.where(totals > 0, totals, 1.0)
        hours[:] = np.where(totals > 0, own, course[:, None]) * wanted
    return replace(outlook, rain_mm=rain)


def _law(coefficients: npt.NDArray[np.float64], mean: Floats, log_sd: Floats) -> tuple[Floats, Floats]:
    a, b, c, d = coefficients
    return a + b * mean, np.exp(c + d * log_sd)
