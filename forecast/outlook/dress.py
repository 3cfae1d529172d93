"""One course of weather made into an ensemble.

A service that gives one course says nothing of how far it errs. The rule here is ours, with
no source: each member follows the course up to a lead of its own, exponential with mean
FOLLOWED_DAYS, and then leaves it for weather of the season; while it follows, each day's
amounts are multiplied by a lognormal factor of mean one whose spread grows with the lead.
So occurrence and amount both widen until nothing but the season is left.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
import numpy.typing as npt

from forecast.outlook.ensemble import Floats, Outlook
from ingest.instants import DAY_MS, HOUR_MS

#: Mean lead up to which a member follows the course. [d]
FOLLOWED_DAYS: Final = 5.0
#: Spread of a day's amounts at the issue, its growth in a day, and where it stops (lognormal sigma).
SIGMA: Final = (0.3, 0.12, 0.9)


def dress(given: Outlook, members: int, rng: np.random.Generator) -> Outlook:
    """An ensemble of `members` around the only course of `given`; NaN from where a member leaves it.

    The lead counts from the issue. Raises ValueError when there is more than one course already.
    """
    if given.members != 1:
        raise ValueError(f"one course of weather can be dressed, not {given.members}")
    issued_ms = given.start_ms if given.issued_ms is None else given.issued_ms
    lead_d = (given.start_ms - issued_ms + HOUR_MS * np.arange(len(given.rain_mm))) / DAY_MS
    # Spread evenly over the chances, so that few members already have the right share of leavers.
    chance = (rng.permutation(members) + rng.random(members)) / members
    follows: npt.NDArray[np.bool_] = lead_d[:, None] < -FOLLOWED_DAYS * np.log1p(-chance)
    day = np.floor(lead_d).astype(int)
    sigma = np.clip(SIGMA[0] + SIGMA[1] * np.maximum(0, np.unique(day)), 0.0, SIGMA[2])[:, None]
    factor = np.exp(sigma * rng.normal(size=(len(sigma), members)) - sigma**2 / 2)
    factor = np.where((lead_d >= 0)[:, None], factor[day - day[0]], 1.0)
    return replace(
        given,
        rain_mm=np.where(follows, given.rain_mm * factor, np.nan),
        temperature_c=_followed(given.temperature_c, follows),
        radiation_w_m2=_followed(given.radiation_w_m2, follows),
    ).noting(
        "The weather service gives one course of weather; how far it may err is put in by a rule of thumb "
        f"by which members leave it after {FOLLOWED_DAYS:g} days in the mean."
    )


def _followed(values: Floats | None, follows: npt.NDArray[np.bool_]) -> Floats | None:
    return None if values is None else np.where(follows, values, np.nan)
