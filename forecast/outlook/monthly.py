"""The outlook where no rain record exists: invented weather around monthly means.

Known to be narrower than real rain, so it is inflated. Say so wherever it is used.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from forecast.outlook.ensemble import Outlook
from ingest.instants import DAY_MS, HOUR_MS, to_datetime
from ingest.saying import say

Floats = npt.NDArray[np.float64]

#: Mean rain of a wet day [mm], share of wet days that follow a wet day beyond chance, shape of the
#: gamma of wet-day rain (all common practice for temperate climates, no source).
WET_DAY_MM: Final = 6.0
PERSISTENCE: Final = 0.35
GAMMA_SHAPE: Final = 0.75
#: A member's months are all wetter or drier by a common factor: the spread between years that a
#: day-by-day generator lacks (lognormal sigma).
YEAR_SIGMA: Final = 0.35


def monthly_outlook(
    monthly_mm: list[float],
    start_ms: int,
    hours: int,
    members: int,
    rng: np.random.Generator,
    *,
    year_sigma: float = YEAR_SIGMA,
) -> Outlook:
    """An ensemble around twelve monthly means. [mm a month, January to December]

    year_sigma  spread of the factor by which all months of a member are wetter or drier (lognormal sigma)

    Days are wet or dry by a two-state Markov chain, wet days' rain is gamma, each fall is one
    spell within its day.
    """
    first_day = start_ms // DAY_MS
    days = (start_ms + hours * HOUR_MS - 1) // DAY_MS - first_day + 1
    month = [to_datetime((first_day + day) * DAY_MS).month for day in range(days)]
    mean_mm = np.array([monthly_mm[m - 1] / 30.4 for m in month])
    wet_share = np.clip(mean_mm / WET_DAY_MM, 0.02, 0.8)
    year = rng.lognormal(-(year_sigma**2) / 2, year_sigma, members)
    by_hour = np.zeros((days, 24, members))
    wet = rng.random(members) < wet_share[0]
    for day in range(days):
        chance = wet_share[day] + PERSISTENCE * (wet - wet_share[day])
        wet = rng.random(members) < chance
        depth = rng.gamma(GAMMA_SHAPE, mean_mm[day] / wet_share[day] / GAMMA_SHAPE, members) * year * wet
        by_hour[day] = _spells(depth, rng)
    skip = (start_ms - first_day * DAY_MS) // HOUR_MS
    rain = by_hour.reshape(days * 24, members)[skip : skip + hours]
    return Outlook(rain, start_ms, say("monthly means of the site file, no rain record"), distinct=members)


def _spells(depth_mm: Floats, rng: np.random.Generator) -> Floats:
    """Each member's rain of a day in one spell of 1 to 10 h, mostly short. (M,) → (24, M)"""
    members = len(depth_mm)
    length = rng.integers(1, 11, members)
    start = (rng.random(members) * (25 - length)).astype(int)
    hour = np.arange(24)[:, None]
    inside = (hour >= start) & (hour < start + length)
    return np.asarray(inside * (depth_mm / length))
