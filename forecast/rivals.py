"""What a data scientist would try instead: gradient-boosted quantiles on lagged levels and rain."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
from sklearn.ensemble import HistGradientBoostingRegressor
from threadpoolctl import threadpool_limits

from forecast.cases import LEADS_D, Cases, Floats, Said

BOOSTED: Final = "boosted"
#: Ten equal slices of the distribution, each by its middle: as an ensemble of ten they are the best ten.
SLICES: Final = 10
#: Years are left out in so many turns; fitting for every year alone says the same and takes longer.
TURNS: Final = 5
#: Small trees for some hundred cases; found by trying on the records of tests/reference.
SETTINGS: Final = {"max_iter": 30, "learning_rate": 0.1, "max_leaf_nodes": 6, "min_samples_leaf": 20}
#: Fewer cases than this to learn from make no rival.
FEWEST_CASES: Final = 60


def boosted(cases: Cases, progress: Callable[[int, int], None] = lambda _done, _all: None) -> Said | None:
    """Quantiles of the volume at each lead, learnt from other years. None where there is too little to learn from.

    Learnt is the change from the volume measured at the issue; what comes out is kept within the tanks.
    """
    turn = np.unique(cases.year, return_inverse=True)[1] % TURNS
    turns = [index for index in range(TURNS) if 0 < (turn == index).sum() <= len(turn) - FEWEST_CASES]
    if len(turns) < min(TURNS, len(np.unique(cases.year))):
        return None
    now_l = cases.known[:, 0]
    volume = np.empty((len(turn), len(LEADS_D), SLICES))
    steps = len(turns) * len(LEADS_D)
    with threadpool_limits(1):  # small fits take longer when threads share them
        for step, (index, lead) in enumerate((index, lead) for index in turns for lead in range(len(LEADS_D))):
            progress(step, steps)
            inside = turn == index
            change = cases.came.volume_l[:, lead, 0] - now_l
            for place in range(SLICES):
                model = HistGradientBoostingRegressor(
                    loss="quantile", quantile=(place + 0.5) / SLICES, early_stopping=False, random_state=0, **SETTINGS
                )
                model.fit(cases.known[~inside], change[~inside])
                volume[inside, lead, place] = now_l[inside] + model.predict(cases.known[inside])
    progress(steps, steps)
    return Said(_within(volume, cases.capacity_l))


def _within(volume_l: Floats, capacity_l: float) -> Floats:
    return np.asarray(np.clip(volume_l, 0.0, capacity_l))
