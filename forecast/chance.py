"""Chance that is spread evenly over the members of an ensemble. Pure."""

from __future__ import annotations

from functools import lru_cache
from statistics import NormalDist
from typing import Final

import numpy as np

from forecast.model.plan import Floats

_NORMAL: Final = NormalDist()


def even_normal(rng: np.random.Generator, *shape: int) -> Floats:
    """Standard normals, members last: each row holds the same quantiles, (i + ½)/M, in an order of its own.

    Latin hypercube sampling (McKay, Beckman and Conover 1979): a hundred members then stand for the whole
    distribution, where a hundred free draws are off in the mean by a tenth of a standard deviation.
    """
    rows = np.broadcast_to(_quantiles(shape[-1]), shape).copy()  # one after the other, as the balance wants them
    return rng.permuted(rows, axis=-1)


@lru_cache(maxsize=8)
def _quantiles(members: int) -> Floats:
    return np.array([_NORMAL.inv_cdf((place + 0.5) / members) for place in range(members)])
