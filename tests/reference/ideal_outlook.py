"""An outlook as good as an ideal weather service's: the truth blended with climatology.

For each day, the truth's place among the season's days (as a normal score) is blurred by another
day's of the season, which gives what the service knows; the members are that knowledge, blurred
once more by their own. Truth and members then differ from the service's knowledge alike, so the
outlook is calibrated, and its skill falls with its lead.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.special import ndtr, ndtri

from forecast.backtest import HOURS, Issue, conditioned
from forecast.cases import HORIZON_D, Floats
from forecast.outlook.record import RainRecord
from forecast.score import rank_share

#: Correlation between the truth's normal score and what is known of it: exp(−(lead/scale)^shape).
#: .98, .92, .84, .48 and .10 in the middle of day 1, 2, 3, 7 and 14 (ours; no service is as good).
SCALE_D: Final = 8.0
SHAPE: Final = 1.5
_DAY_H: Final = 24


def ideal(record: RainRecord, issue: Issue, members: int, rng: np.random.Generator) -> Floats:
    """Rain of the members over the hours of an issue; one more window is what blurs the knowledge."""
    season = conditioned(record, issue, members + 1, rng)[:, rng.permutation(members + 1)]
    count = members + 1
    now = HOURS - HORIZON_D * _DAY_H
    days = season[now:].reshape(HORIZON_D, _DAY_H, count)
    depth, truth = days.sum(axis=1), issue.rain_mm[now:].reshape(HORIZON_D, _DAY_H).sum(axis=1)
    known = np.exp(-(((np.arange(HORIZON_D) + 0.5) / SCALE_D) ** SHAPE))
    blur = np.sqrt(1 - known**2)
    # Days of equal depth, mostly dry ones, stand in a random order.
    order = np.lexsort((rng.random(depth.shape), depth), axis=1)
    score = np.empty_like(depth)
    np.put_along_axis(score, order, np.broadcast_to(ndtri((np.arange(count) + 0.5) / count), depth.shape), axis=1)
    truth_score = ndtri(rank_share(depth, truth, rng.random(HORIZON_D)))
    knowledge = known * truth_score + blur * score[:, -1]
    place = np.minimum(
        (ndtr((known * knowledge)[:, None] + blur[:, None] * score[:, :-1]) * count).astype(int), members
    )
    drawn = np.take_along_axis(order, place, axis=1)
    ahead = np.take_along_axis(days, drawn[:, None, :], axis=2)
    return np.concatenate([season[:now, :members], ahead.reshape(-1, members)])
