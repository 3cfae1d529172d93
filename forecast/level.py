"""What a level says of the water in a storage, beside what the balance says of a tank that ran dry. Pure."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from forecast.chance import even_normal

Floats = npt.NDArray[np.float64]
Truths = npt.NDArray[np.bool_]

#: A tank may be empty when its level stands no more standard deviations than this above dead storage.
EMPTY_SDS: Final = 2.0
#: A tank counts as empty within this much of dead storage. [L]
EMPTY_L: Final = 1e-6


def about(volume_l: float, sd_l: float, members: int, rng: np.random.Generator, capacity_l: float) -> Floats:
    """Volumes of the members about the one that was measured. (M,) [L]"""
    return np.clip(volume_l + sd_l * even_normal(rng, members), 0.0, capacity_l)


def may_be_empty(volume_l: npt.ArrayLike, sd_l: npt.ArrayLike, dead_l: npt.ArrayLike) -> Truths:
    """Whether a measured volume leaves it open that nothing stands above dead storage. (...) [L]"""
    return np.asarray(np.asarray(volume_l) - dead_l <= EMPTY_SDS * np.asarray(sd_l))


def left_dry(said_l: Floats, balance_l: Floats, empty: Truths | bool, dead_l: npt.ArrayLike) -> Floats:
    """Volumes that a level says, but where the balance since an earlier one ran dry: there what is below the outlet.

    said_l, balance_l  of the members (..., M) [L]; empty  see `may_be_empty`

    A level at the outlet trembles: by itself it gives half of the members a few litres to draw, though
    the tank has been empty for days. At most EMPTY_SDS of its error are ever taken away. (ours)
    """
    dry = np.logical_and(balance_l <= np.asarray(dead_l) + EMPTY_L, empty)
    return np.where(dry, np.minimum(said_l, dead_l), said_l)
