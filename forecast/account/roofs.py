"""What a catchment yields as found: coefficient, loss and trend, and the weeks in which something was wrong.

Each spell of rain has an inflow that was seen and one that is expected. A roof that lost its grip
brings a smaller share of every spell; a first flush stuck open brings only what exceeds its valve,
a blocked gutter only what is small enough to pass it, or nothing. For each of these ways the run of
spells that it explains best is found, and the best of all is taken, as long as there is one that
explains far more than chance.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.stats import theilslopes

from forecast.account.catchment import Way
from forecast.learn import FEWEST_EVENTS, fit_runoff
from forecast.learned import Runoff

Floats = npt.NDArray[np.float64]

#: Of what a spell brings, so much is weather that the hours do not show. (from the simulator's clean sites)
SPELL_SHARE: Final = 0.12
#: Few spells may agree by chance, so much of one is never known.
LEAST_SCATTER: Final = 0.05
#: Beyond so many standard deviations a spell counts as one that went wrong, not more.
CAPPED: Final = 3.5
#: A spell of more hours than this tells as much as several. [h] (no source)
USUAL_SPELL_H: Final = 16
#: What a fault must explain beyond the next best, as a difference of squared deviations, and of the inflow.
LEAST_GAIN: Final = 20.0
LEAST_SHARE: Final = 0.015
MOST_FAULTS: Final = 3
#: By so much what all spells bring may differ from the runoff that most of them follow. (from the simulator)
YIELDED_SD: Final = 0.05
#: Two ways that differ by less explain the same spells: they are confounded.
ALIKE: Final = 6.0
#: A gutter that is blocked wholly is found within this time, a valve that sticks is not. [h] (no source)
FOUND_H: Final = 45 * 24

COEFFICIENTS: Final = (0.9, 0.8, 0.7, 0.6, 0.5)
CLEAR_SHARES: Final = (0.0, 0.05, 0.1, 0.2)
#: What an open valve lets go, as a depth on the roofs: from a trickle to a downpour. [mm/h]
WASTED_MM_H: Final = (0.5, 1.0, 2.0, 4.0, 8.0, 16.0)

#: Kinds of fault, in the water's way.
KINDS: Final = ("coefficient", "gutter", "first-flush")

#: Inflow of the spells by a way. (N,) [L]
Expected = Callable[[Way], Floats]


class RoofFault(NamedTuple):
    """Something wrong with a catchment in the hours `[first_h, end_h)` of the account.

    kind        one of KINDS
    way         what explains it
    confounded  another kind that explains the same spells as well
    """

    kind: str
    way: Way
    first_h: int
    end_h: int
    confounded: str | None = None


@dataclass(frozen=True)
class AsFound:
    """A catchment as found: runoff outside its faults, faults, change a year of what spells bring, and its sd.

    scatter  of what a spell brings, so much is weather that the hours do not show: a share
    yielded, yielded_sd  what all spells brought outside faults over what the runoff gives for them: the robust runoff
                         follows most spells, and a few bring much
    """

    runoff: Runoff
    faults: tuple[RoofFault, ...]
    trend_year: float | None
    trend_sd: float | None
    scatter: float
    yielded: float
    yielded_sd: float


@dataclass(frozen=True)
class Spells:
    """Spells of rain of a catchment: hours from the first to the end (N,), and what came (N,) [L].

    noise_l  standard deviation of what came, by the level or the meter (N,)
    capped   the tank may have run over: what came is only what stayed (N,)
    """

    first_h: npt.NDArray[np.int64]
    end_h: npt.NDArray[np.int64]
    came_l: Floats
    noise_l: Floats
    capped: npt.NDArray[np.bool_]


def as_found(spells: Spells, expected: Expected, prior: Runoff, area_m2: float, hours: int) -> AsFound:
    """The catchment as its spells show it; with few of them as the site file has it.

    area_m2  of its roofs; hours  of the account
    """
    if (~spells.capped).sum() < FEWEST_EVENTS:
        return AsFound(prior, (), None, None, SPELL_SHARE, 1.0, YIELDED_SD)
    way = _first_guess(spells, expected, prior)
    faults: tuple[RoofFault, ...] = ()
    runoff, scatter = prior, SPELL_SHARE
    for _ in range(2):
        faults = _faults(spells, expected, way, area_m2, hours)
        clean = _outside(spells, faults)
        runoff = _fitted(spells, clean, expected, prior, way, area_m2, scatter)
        way = Way(runoff.coefficient, runoff.loss_mm)
        usual = expected(way)
        scatter = _scatter(spells, usual, clean)
    return AsFound(runoff, faults, *_trend(spells, usual, clean), scatter, *_yielded(spells, usual, clean))


def _yielded(spells: Spells, expected_l: Floats, clean: npt.NDArray[np.bool_]) -> tuple[float, float]:
    """What came over what is expected of all clean spells together, drawn towards 1 by its spread, and its sd."""
    came_l, usual_l = spells.came_l[clean], expected_l[clean]
    if len(came_l) < FEWEST_EVENTS or usual_l.sum() <= 0:
        return 1.0, YIELDED_SD
    ratio = float(came_l.sum() / usual_l.sum())
    seen = float(((came_l - ratio * usual_l) ** 2).sum()) / float(usual_l.sum()) ** 2
    weight = YIELDED_SD**2 / (YIELDED_SD**2 + seen)
    return 1.0 + weight * (ratio - 1.0), float(np.sqrt(weight * seen))


def _scatter(spells: Spells, expected_l: Floats, clean: npt.NDArray[np.bool_]) -> float:
    """What is not known of a spell, as a share of it: by the larger half of them."""
    told = clean & (expected_l > max(1e-9, float(np.median(expected_l))))
    if told.sum() < FEWEST_EVENTS:
        return SPELL_SHARE
    away = np.clip((spells.came_l[told] - expected_l[told]) / expected_l[told], -0.5, 0.5)
    return float(np.sqrt(np.mean(away**2)))


def _misfit(spells: Spells, expected_l: Floats) -> Floats:
    """Squared deviations of the spells in standard deviations, none above the cap; long ones count as several. (N,)"""
    sd = np.hypot(spells.noise_l, SPELL_SHARE * np.maximum(expected_l, 0.3 * spells.came_l))
    several = np.maximum(1.0, (spells.end_h - spells.first_h) / USUAL_SPELL_H)
    return np.asarray(several * np.minimum(((spells.came_l - expected_l) / sd) ** 2, CAPPED**2))


def _first_guess(spells: Spells, expected: Expected, prior: Runoff) -> Way:
    """The coefficient with which most spells agree; where none does better, the site file's."""
    ways = [Way(prior.coefficient * share, prior.loss_mm) for share in (1.0, 0.95, 0.9, 0.8, 0.7, 0.6, 1.05, 1.1, 1.2)]

    def cost(way: Way) -> float:
        away = ((way.coefficient or prior.coefficient) - prior.coefficient) / prior.coefficient_sd
        return float(_misfit(spells, expected(way)).sum()) + away**2

    return min(ways, key=cost)


def _faults(spells: Spells, expected: Expected, way: Way, area_m2: float, hours: int) -> tuple[RoofFault, ...]:
    usual = expected(way)
    alternatives = [(kind, other, expected(other)) for kind, other in _ways(way, area_m2)]
    left = np.ones(len(usual), dtype=bool)
    found: list[RoofFault] = []
    while len(found) < MOST_FAULTS:
        before = _misfit(spells, usual)
        runs = []
        for kind, other, brought in alternatives:
            first, end, gain = _best_run(np.where(left, before - _misfit(spells, brought), -1e9))
            lost_l = float((usual - spells.came_l)[first:end].sum())
            span = _span(spells, first, end, hours)
            if gain > LEAST_GAIN and lost_l > LEAST_SHARE * usual.sum():
                runs.append((gain - _implausible(kind, other, span), kind, other, first, end, span))
        if not runs:
            break
        best = max(runs, key=lambda run: run[0])
        rivals = [run[1] for run in runs if run[1] != best[1] and best[0] - run[0] < ALIKE]
        found.append(RoofFault(best[1], best[2], *best[5], confounded=rivals[0] if rivals else None))
        left[best[3] : best[4]] = False
    return tuple(sorted(found, key=lambda fault: fault.first_h))


def _ways(way: Way, area_m2: float) -> list[tuple[str, Way]]:
    coefficient, loss_mm = way.coefficient or 1.0, way.loss_mm
    return [
        *(("coefficient", Way(coefficient * share, loss_mm)) for share in COEFFICIENTS),
        *(("gutter", Way(coefficient, loss_mm, gutter_share=share)) for share in CLEAR_SHARES),
        *(("first-flush", Way(coefficient, loss_mm, wasted_l_h=depth * area_m2)) for depth in WASTED_MM_H),
    ]


def _implausible(kind: str, way: Way, span: tuple[int, int]) -> float:
    """What a fault must explain more because it lasted as such faults do not: it decides where two are alike."""
    over = (span[1] - span[0]) / FOUND_H - 1
    if kind == "gutter":
        return ALIKE * max(0.0, over) + (0.0 if way.gutter_share == 0.0 else 1.0)
    return ALIKE * max(0.0, -over) if kind == "first-flush" else 1.0


def _best_run(gain: Floats) -> tuple[int, int, float]:
    """The run of neighbours with the largest sum: first, end, sum."""
    best, here, start = (0, 0, 0.0), 0.0, 0
    for index, value in enumerate(gain.tolist()):
        if here <= 0:
            here, start = 0.0, index
        here += value
        if here > best[2]:
            best = (start, index + 1, here)
    return best


def _span(spells: Spells, first: int, end: int, hours: int) -> tuple[int, int]:
    """From half-way after the spell before to half-way before the next; the whole where it reaches the ends."""
    count = len(spells.came_l)
    start = 0 if first == 0 else int(spells.end_h[first - 1] + spells.first_h[first]) // 2
    stop = hours if end >= count else int(spells.end_h[end - 1] + spells.first_h[end]) // 2
    return start, stop


def _outside(spells: Spells, faults: tuple[RoofFault, ...]) -> npt.NDArray[np.bool_]:
    clean = ~spells.capped
    for fault in faults:
        clean &= ~((spells.first_h >= fault.first_h) & (spells.first_h < fault.end_h))
    return clean


def _fitted(
    spells: Spells,
    clean: npt.NDArray[np.bool_],
    expected: Expected,
    prior: Runoff,
    way: Way,
    area_m2: float,
    scatter: float,
) -> Runoff:
    """Coefficient and loss by the spells outside faults, from where most of them agree."""
    if clean.sum() < FEWEST_EVENTS:
        return prior
    start = prior._replace(coefficient=way.coefficient or prior.coefficient)
    # Far from the site file's figure, its spread is no longer what is believed of the roof.
    if abs(start.coefficient - prior.coefficient) > prior.coefficient_sd:
        start = start._replace(coefficient_sd=3 * prior.coefficient_sd)
    return fit_runoff(
        lambda coefficient, loss_mm: expected(Way(coefficient, loss_mm))[clean] / area_m2,
        spells.came_l[clean] / area_m2,
        start,
        max(LEAST_SCATTER, scatter),
    )


def _trend(spells: Spells, expected_l: Floats, clean: npt.NDArray[np.bool_]) -> tuple[float | None, float | None]:
    """Change a year of what spells bring over what is expected, and its sd (Theil 1950, Sen 1968)."""
    told = clean & (expected_l > 4 * spells.noise_l)
    years = spells.first_h[told] / (24 * 365.25)
    if told.sum() < 3 * FEWEST_EVENTS or np.ptp(years) < 0.25:
        return None, None
    slope, _, low, high = theilslopes(spells.came_l[told] / expected_l[told], years, alpha=0.683)
    return float(slope), float((high - low) / 2)
