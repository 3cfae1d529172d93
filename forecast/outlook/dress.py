"""What a weather outlook does not know of its own error.

A service that gives one course says nothing of how far it errs, and an ensemble that is not
corrected says too little: its members agree too much and share its bias, so that some days
ahead it is worse than the season alone. The rule here is ours: each member
follows the service up to a lead of its own and then leaves it for weather of the season, so
that the outlook widens until nothing but the season is left. A single course's amounts are
also multiplied, day by day, by a factor of mean one whose spread grows with the lead.

The shares at 6.5 days are held against real forecasts in tests/forecast/outlook/test_dress_on_rainibk.py;
the shape towards shorter leads and the factor have no source.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from forecast.outlook.ensemble import Floats, Outlook
from ingest.instants import DAY_MS, HOUR_MS
from ingest.saying import say


class Following(NamedTuple):
    """The law of the lead at which members leave: Weibull, of scale [d] and shape."""

    scale_d: float
    shape: float

    def share(self, lead_d: float) -> float:
        """Share of the members that still follow at a lead. [d]"""
        return float(np.exp(-((max(0.0, lead_d) / self.scale_d) ** self.shape)))


#: A single course loses members from the first hour on; an ensemble has some spread of its own.
COURSE: Final = Following(5.0, 1.0)
ENSEMBLE: Final = Following(5.7, 2.0)
#: Spread of a single course's amounts on the first day, its growth in a day, and where it stops (lognormal sigma).
SIGMA: Final = (0.3, 0.12, 0.9)


def leaving(given: Outlook, law: Following, rng: np.random.Generator) -> Outlook:
    """The same members, each unknown (NaN) from the lead on at which it leaves. The lead counts from the issue."""
    lead_d = _lead_d(given)
    # Spread evenly over the chances, so that few members already have the right share of leavers.
    chance = (rng.permutation(given.members) + rng.random(given.members)) / given.members
    leaves_d = law.scale_d * (-np.log1p(-chance)) ** (1 / law.shape)
    follows: npt.NDArray[np.bool_] = lead_d[:, None] < leaves_d
    return replace(
        given,
        rain_mm=np.where(follows, given.rain_mm, np.nan),
        temperature_c=None if given.temperature_c is None else np.where(follows, given.temperature_c, np.nan),
        radiation_w_m2=None if given.radiation_w_m2 is None else np.where(follows, given.radiation_w_m2, np.nan),
    )


def dress(given: Outlook, members: int, rng: np.random.Generator) -> Outlook:
    """An ensemble of `members` around the only course of `given`, NaN from where a member leaves it.

    Raises ValueError when there is more than one course already.
    """
    if given.members != 1:
        raise ValueError(f"one course of weather can be dressed, not {given.members}")
    day = np.floor(_lead_d(given)).astype(int)
    sigma = np.clip(SIGMA[0] + SIGMA[1] * np.arange(max(0, day[-1]) + 1), 0.0, SIGMA[2])[:, None]
    factor = np.exp(sigma * rng.normal(size=(len(sigma), members)) - sigma**2 / 2)
    factor = np.where((day >= 0)[:, None], factor[np.maximum(0, day)], 1.0)
    wide = replace(
        given,
        rain_mm=given.rain_mm * factor,
        temperature_c=_repeated(given.temperature_c, members),
        radiation_w_m2=_repeated(given.radiation_w_m2, members),
    )
    return leaving(wide, COURSE, rng).noting(
        say("The weather service gives one course of weather; how far it may err is put in by a rule of thumb.")
    )


def _lead_d(given: Outlook) -> Floats:
    """Lead of each hour's start. [d]"""
    issued_ms = given.start_ms if given.issued_ms is None else given.issued_ms
    return (given.start_ms - issued_ms + HOUR_MS * np.arange(len(given.rain_mm))) / DAY_MS


def _repeated(values: Floats | None, members: int) -> Floats | None:
    return None if values is None else np.repeat(values, members, axis=1)
