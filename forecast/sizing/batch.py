"""Which sizes are tried: the site as it is, and one thing at a time made larger or smaller."""

from __future__ import annotations

from typing import Final, Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from forecast.model.plan import Plan
from ingest.site import Site

Floats = npt.NDArray[np.float64]

Lever = Literal["tank", "roof", "first_flush", "coefficient", "draw"]
LEVERS: Final[tuple[Lever, ...]] = ("tank", "roof", "first_flush", "coefficient", "draw")
#: The storage curve goes by tenths, from the usable volume there is down to a tenth of it and up to eight times: so
#: each size but the present one has its neighbour a tenth away, and a wider range only adds sizes to it.
CURVE_RATIO: Final = 1.1
CURVE_STEPS: Final = (-24, 22)
#: Shares of their present size at which the other levers are looked at; the coefficient as such.
_ROOFS: Final = (0.25, 0.5, 0.75, 1.25, 1.5, 2.0, 3.0, 4.0)
_FLUSHES: Final = (0.0, 0.5, 2.0, 4.0)
_COEFFICIENTS: Final = (0.5, 0.6, 0.7, 0.8, 0.9, 0.95)
_DRAWS: Final = (0.25, 0.5, 0.75, 1.25, 1.5, 2.0, 3.0)
#: Steps that somebody building can picture: 100 L, 10 m², 10 L, 0.05, 10 L/d.
STEPS: Final[dict[Lever, float]] = {
    "tank": 100.0, "roof": 10.0, "first_flush": -10.0, "coefficient": 0.05, "draw": -10.0,
}  # fmt: skip
#: And one alike for all, by which they are compared: a tenth better.
TENTH: Final = 0.1

Purpose = Literal["as it is", "curve", "step", "tenth"]


class Size(NamedTuple):
    """One member of the batch: which lever, why, and its size there in the lever's own unit.

    size    usable volume [L], roof area [m²], first flush [L], coefficient, mean draw [L/d]
    factor  over the size that there is
    """

    lever: Lever
    purpose: Purpose
    size: float
    factor: float


def present(site: Site, plan: Plan, drawn_l_day: float) -> dict[Lever, float]:
    """The size of each lever as it is; of all tanks and roofs together, the coefficient by area."""
    area = plan.roof_area_m2
    coefficient = np.array([roof.runoff_coefficient for roof in site.roof])
    return {
        "tank": float((plan.capacity_l - plan.dead_l).sum()),
        "roof": float(area.sum()),
        "first_flush": float(plan.flush_volume_l.sum()),
        "coefficient": float((area * coefficient).sum() / area.sum()),
        "draw": drawn_l_day,
    }


def batch_of(now: dict[Lever, float]) -> list[Size]:
    """All members: first the site as it is, then the curves, the steps and the tenths."""
    sizes = [Size("tank", "as it is", now["tank"], 1.0)]
    for lever in LEVERS:
        if now[lever] <= 0.0:
            continue
        sizes += [Size(lever, "curve", size, size / now[lever]) for size in _curve(lever, now[lever])]
        better = now[lever] * (1.0 + TENTH * np.sign(STEPS[lever]))
        stepped = _stepped(lever, now[lever])
        sizes += [
            Size(lever, "step", stepped, stepped / now[lever]),
            Size(lever, "tenth", float(better), float(better) / now[lever]),
        ]
    return sizes


def factors_of(sizes: list[Size], lever: Lever) -> Floats:
    """By what each member changes a lever. (M,)"""
    return np.array([size.factor if size.lever == lever else 1.0 for size in sizes])


def _curve(lever: Lever, now: float) -> list[float]:
    match lever:
        case "tank":
            down, up = CURVE_STEPS
            return [_round(now * CURVE_RATIO**step) for step in range(down, up + 1) if step]
        case "coefficient":
            return [value for value in _COEFFICIENTS if abs(value - now) > 0.01]
        case "roof":
            return [_round(now * factor) for factor in _ROOFS]
        case "first_flush":
            return [now * factor for factor in _FLUSHES]
        case "draw":
            return [_round(now * factor) for factor in _DRAWS]


def _stepped(lever: Lever, now: float) -> float:
    """A step on, but never more than half of what there is taken away, nor more than all rain caught."""
    return min(1.0, now + STEPS[lever]) if lever == "coefficient" else max(now / 2, now + STEPS[lever])


def _round(size: float) -> float:
    """Three figures: nobody builds 1,237.4 L."""
    return float(f"{size:.3g}")
