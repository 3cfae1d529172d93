"""The cases of a backtest: when a forecast was issued, what came, and what each way of forecasting said."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

LEADS_D: Final = (1, 3, 7, 14)
HORIZON_D: Final = 16


@dataclass(frozen=True)
class Said:
    """What one way of forecasting said; K members, K = 1 for a single number. N issues, L leads.

    volume_l                 in all tanks, at the leads (N, L, K) [L]
    runs_out_d, overflows_d  days until; infinite: not at all (N, K). None: this way does not say
    """

    volume_l: Floats
    runs_out_d: Floats | None = None
    overflows_d: Floats | None = None


@dataclass(frozen=True)
class Cases:
    """All issues of a backtest, what came, and what each way of forecasting said.

    issued_ms, year (N,); came as in Said with K = 1
    empty_now whether a tank that is drawn from was empty at the issue, as far as its level tells (N,)
    known     what a rival may learn from, a row an issue (N, F)
    """

    record: str
    capacity_l: float
    issued_ms: Integers
    year: Integers
    came: Said
    empty_now: npt.NDArray[np.bool_]
    known: Floats
    said: dict[str, Said] = field(default_factory=dict)

    def adding(self, way: str, said: Said) -> Cases:
        """The same cases with one more way of forecasting."""
        return replace(self, said={**self.said, way: said})


def joined(parts: list[Cases]) -> Cases:
    """Cases of the same ways of forecasting, one after the other."""
    first = parts[0]
    return Cases(
        first.record,
        first.capacity_l,
        np.concatenate([part.issued_ms for part in parts]),
        np.concatenate([part.year for part in parts]),
        _stacked([part.came for part in parts]),
        np.concatenate([part.empty_now for part in parts]),
        np.concatenate([part.known for part in parts]),
        {way: _stacked([part.said[way] for part in parts]) for way in first.said},
    )


def _stacked(parts: list[Said]) -> Said:
    def of(arrays: list[Floats | None]) -> Floats | None:
        known = [array for array in arrays if array is not None]
        return np.concatenate(known) if len(known) == len(arrays) else None

    volume = np.concatenate([part.volume_l for part in parts])
    return Said(volume, of([part.runs_out_d for part in parts]), of([part.overflows_d for part in parts]))
