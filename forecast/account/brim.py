"""What ran over: a brim hides the inflow, so it is what the roofs brought less what of it stayed. Pure.

At the brim the level says nothing of the inflow. Over a whole spell at the brim

    ran over = what came, by meter or by the roofs as found − (ΔV + use + loss)

and the volumes at its two ends are all that the level has to tell. They are the better known the quieter
the water: so a spell goes on to the first full hour whose volume rests on the means of quiet hours.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from forecast.account.tanks import UNMETERED_SHARE, TankFound

Floats = npt.NDArray[np.float64]
Truths = npt.NDArray[np.bool_]

#: An hour in which roofs bring less than this does not make a tank run over. [L]
LEAST_L: Final = 0.5
#: So long a spell may go on to end in quiet water. With a meter at the inlet it may begin in it, as long before: what
#: a meter counts in that time is known better than a level in rain. [h]
QUIET_WITHIN_H: Final = 6
QUIET_BEFORE_H: Final = 24
#: Within so many of its standard deviations a spell may have run over or not.
DOUBTED: Final = 2.0


class Over(NamedTuple):
    """What ran over by the hour. (H,) each

    over_l       litres
    variance_l2  of its spells, each in its first hour [L²]
    came_l       into the full tank: no level tells it
    """

    over_l: Floats
    variance_l2: Floats
    came_l: Floats


class _Spell(NamedTuple):
    first: int
    end: int
    total_l: float
    sd_l: float


def ran_over(
    tank: TankFound, came_l: Floats, needed_l: Floats, may: Truths, told: Truths, spell_share: float, *, metered: bool
) -> Over:
    """What ran over a storage's brim.

    came_l       by the meters, or by roofs as found, and from storages above (H,)
    needed_l     of it stayed, or was drawn or lost, by the level (H,)
    may          hours in which it may have run over; told: in which everything is known (H,)
    spell_share  of what a spell brings, unknown where the roofs have no meter
    """
    spells = []
    for first, end in _stretches(tank, may & told & (came_l > LEAST_L), told, metered=metered):
        here = slice(first, end)
        noises_l = [tank.still_noise_l if tank.still[hour] else tank.noise_l for hour in (first, end)]
        unknown_l = (
            spell_share * float(came_l[here][may[here]].sum()),
            UNMETERED_SHARE * float(tank.guessed_l[here].sum()),
        )
        spells.append(_Spell(first, end, float((came_l - needed_l)[here].sum()), math.hypot(*noises_l, *unknown_l)))
    out = Over(np.zeros(len(came_l)), np.zeros(len(came_l)), np.zeros(len(came_l)))
    share = _believed([spell for spell in spells if spell.total_l < DOUBTED * spell.sd_l])
    for spell in spells:
        here = slice(spell.first, spell.end)
        total_l = spell.total_l * (share if spell.total_l < DOUBTED * spell.sd_l else 1.0)
        weight = np.where(may[here], came_l[here], 0.0)
        out.over_l[here] = max(0.0, total_l) * weight / weight.sum()
        out.came_l[here] = weight if total_l > 0 else 0.0
        out.variance_l2[spell.first] = spell.sd_l**2
    return out


def _believed(doubtful: list[_Spell]) -> float:
    """The share of doubtful spells' water that ran over.

    Noise lifts some spells that did not run over above nothing and pushes others below it. To count the
    first and drop the second would invent water: so what is below is taken off what is above.
    """
    above_l = sum(max(0.0, spell.total_l) for spell in doubtful)
    return max(0.0, sum(spell.total_l for spell in doubtful)) / above_l if above_l > 0 else 0.0


def _stretches(tank: TankFound, over: Truths, told: Truths, *, metered: bool) -> list[tuple[int, int]]:
    """Runs of hours at the brim that end in quiet water where that is near; those that then touch are one."""
    found: list[tuple[int, int]] = []
    for full, stop in runs(over):
        # Without a meter from the hour before on: what fell late in it comes now.
        start = full - 1 if not metered and full > 0 and told[full - 1] else full
        first, end = start, stop
        while end < len(over) and end - stop < QUIET_WITHIN_H and not tank.still[end] and told[end]:
            end += 1
        while metered and first > 0 and start - first < QUIET_BEFORE_H and not tank.still[first] and told[first - 1]:
            first -= 1
        # Where no quiet hour is near, more hours would only add to what is not known.
        first, end = first if tank.still[first] else start, end if tank.still[end] else stop
        if found and first < found[-1][1]:
            found[-1] = (found[-1][0], max(end, found[-1][1]))
        else:
            found.append((first, end))
    return found


def runs(inside: Truths) -> list[tuple[int, int]]:
    """Runs of hours, first and end."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], inside, [False]]).astype(int)))
    return [(int(first), int(end)) for first, end in edges.reshape(-1, 2)]
