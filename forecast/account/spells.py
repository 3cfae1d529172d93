"""What came of each spell of rain: by a meter, or by the rise of a tank as far as its brim. Pure.

A spell that fills the tank does not tell all that came. But what stayed, beside what would have
stayed, still tells whether much came or hardly anything: enough to date a fault, not to learn a roof.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from forecast.account.catchment import Catchment
from forecast.account.roofs import Spells
from forecast.account.scene import Scene
from forecast.account.tanks import UNMETERED_SHARE, TankFound
from forecast.learn import events_of

Floats = npt.NDArray[np.float64]

#: An inlet's meter, as a share of what it counts and as its smallest step. [L] (common practice, no source)
METER_SHARE: Final = 0.02
METER_L: Final = 1.0
#: A level before and after a spell, in its own standard deviations: it moves while water falls in. (no source)
RISE_SDS: Final = 1.5


@dataclass(frozen=True)
class Told:
    """Spells, and what a catchment's inflow would have shown of them.

    start_l, left_l  what stood in the tank at the full hours (H + 1,), and left it by the hour (H,), where it tells
    """

    spells: Spells
    start_l: Floats
    left_l: Floats
    capacity_l: float

    def seen_of(self, inflow_l: Floats) -> Floats:
        """What would be seen of each spell with this inflow by the hour (H,): no more than the brim lets stay."""
        passed_l = np.concatenate([[0.0], np.cumsum(inflow_l)])
        out = np.asarray(passed_l[self.spells.end_h] - passed_l[self.spells.first_h])
        for place in np.flatnonzero(self.spells.capped).tolist():
            first, end = int(self.spells.first_h[place]), int(self.spells.end_h[place])
            out[place] = self._stayed_l(first, inflow_l[first:end].tolist(), self.left_l[first:end].tolist())
        return out

    def _stayed_l(self, first: int, inflow_l: list[float], left_l: list[float]) -> float:
        start_l = volume_l = float(self.start_l[first])
        for came, left in zip(inflow_l, left_l, strict=True):
            volume_l = min(self.capacity_l, volume_l + came - left)
        return volume_l - start_l + sum(left_l)


def told_of(scene: Scene, catchment: Catchment, tanks: list[TankFound]) -> Told:
    """The spells of a catchment that can be told."""
    counted_l = scene.metered_l(catchment)
    return _by_rise(scene, catchment, tanks) if counted_l is None else _by_meter(scene, counted_l)


def _by_meter(scene: Scene, counted_l: Floats) -> Told:
    rows = []
    for first, end in events_of(scene.seen.rain_mm):
        came_l = float(counted_l[first:end].sum())
        if not np.isnan(came_l):
            rows.append((first, end, came_l, METER_SHARE * came_l + METER_L, False))
    return Told(_spells(rows), np.empty(0), np.empty(0), np.inf)


def _by_rise(scene: Scene, catchment: Catchment, tanks: list[TankFound]) -> Told:
    """By the rise of its tank and what left it meanwhile; at its brim what stayed."""
    index = next(place for place, tank in enumerate(tanks) if catchment.tank in tank.ids)
    tank, hours = tanks[index], scene.seen.hours
    blind = np.isnan(tank.use_l) | np.isnan(tank.volume_l[1:])
    for other in scene.above(index):
        blind |= tanks[other].brim | np.isnan(tanks[other].volume_l[1:])
    if index == scene.plan.backup_tank and scene.seen.backup_l is not None:
        blind |= np.nan_to_num(scene.seen.backup_l) > 0
    besides_l = scene.rain_mm * scene.plan.open_m2[index]
    for place in scene.feeding(index):
        counted_l = scene.metered_l(scene.catchments[place])
        besides_l = besides_l + (np.zeros(hours) if counted_l is None else np.nan_to_num(counted_l))
    left_l = np.nan_to_num(tank.use_l) + tank.loss_l + tank.evaporated_l - besides_l
    rows = []
    for first, end in events_of(scene.seen.rain_mm):
        came_l = float(tank.volume_l[end] - tank.volume_l[first] + left_l[first:end].sum())
        if not blind[first:end].any() and not np.isnan(came_l):
            guessed_l = UNMETERED_SHARE * float(tank.guessed_l[first:end].sum())
            noise_l = float(np.hypot(RISE_SDS * tank.noise_l, guessed_l))
            rows.append((first, end, came_l, noise_l, bool(tank.brim[first:end].any())))
    return Told(_spells(rows), tank.volume_l, left_l, scene.storages[index].geometry.capacity_l)


def _spells(rows: list[tuple[int, int, float, float, bool]]) -> Spells:
    columns = np.array(rows, dtype=np.float64).reshape(-1, 5).T
    return Spells(
        columns[0].astype(np.int64), columns[1].astype(np.int64), columns[2], columns[3], columns[4].astype(bool)
    )
