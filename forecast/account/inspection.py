"""What the hours show of a site's parts: its storages, then its roofs, which need them. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from forecast.account.catchment import Catchment, Way
from forecast.account.measured import Measured
from forecast.account.roofs import KINDS, AsFound, Spells, as_found
from forecast.account.scene import Scene
from forecast.account.tanks import UNMETERED_SHARE, TankFound, tank_found
from forecast.learn import events_of
from forecast.model.plan import Plan
from ingest.site import Site

Floats = npt.NDArray[np.float64]

#: An inlet's meter, as a share of what it counts and as its smallest step. [L] (common practice, no source)
METER_SHARE: Final = 0.02
METER_L: Final = 1.0

#: Litres of a spell's hours `[first, end)` and their standard deviation; NaN: not told.
Told = Callable[[int, int], tuple[float, float]]


@dataclass(frozen=True)
class RoofsFound:
    """One catchment, and what it would have brought by the hour. (H,) each [L]

    as_designed  with the site file's figures, in the measured rain
    by_runoff    with the coefficient and loss that were learnt, by_gutter with its gutters as found,
    by_flush     with its first flush as found: all that is known of it
    over_l, flushed_l  over its gutters' sides and into its first flush, as found
    metered_l    by its meter; None: it has none
    """

    catchment: Catchment
    found: AsFound
    as_designed: Floats
    by_runoff: Floats
    by_gutter: Floats
    by_flush: Floats
    over_l: Floats
    flushed_l: Floats
    metered_l: Floats | None

    @property
    def came_l(self) -> Floats:
        """What came: by its meter, else as found. (H,)"""
        return self.found.yielded * self.by_flush if self.metered_l is None else self.metered_l


@dataclass(frozen=True)
class Inspection:
    """All parts of a site, in the order of the model's storages and of the catchments."""

    plan: Plan
    tanks: list[TankFound]
    roofs: list[RoofsFound]


def inspect(site: Site, measured: Measured) -> Inspection:
    """What the hours show of every part."""
    scene = Scene(site, measured)
    tanks = [tank_found(scene, storage) for storage in range(len(scene.storages))]
    roofs = [_roofs(scene, place, tanks) for place in range(len(scene.catchments))]
    # In an hour of rain the level does not tell what was drawn without a meter; what the roofs brought helps.
    for storage, tank in enumerate(tanks):
        if tank.unmetered:
            came_l = sum((roofs[place].came_l for place in scene.feeding(storage)), np.zeros(measured.hours))
            tanks[storage] = tank_found(scene, storage, np.asarray(came_l))
    return Inspection(scene.plan, tanks, roofs)


def _roofs(scene: Scene, place: int, tanks: list[TankFound]) -> RoofsFound:
    catchment = scene.catchments[place]
    spells = _spells(scene, catchment, tanks)

    def expected(way: Way) -> Floats:
        passed = _running(scene.inflow_l(catchment, way))
        return np.asarray(passed[spells.end_h] - passed[spells.first_h])

    prior, area_m2 = catchment.prior(scene.site), catchment.area_m2(scene.site)
    found = as_found(spells, expected, prior, area_m2, scene.seen.hours)
    way = Way(found.runoff.coefficient, found.runoff.loss_mm) if found.runoff.events else Way()

    def as_far_as(*kinds: str, gutters: bool = True, flush: bool = True) -> Floats:
        """Inflow with the faults of these kinds, as if there were no gutter's limit or no first flush."""

        def bare(way: Way) -> Way:
            return replace(way, gutter_share=way.gutter_share if gutters else np.inf, flush=flush)

        out = scene.inflow_l(catchment, bare(way))
        for fault in found.faults:
            if fault.kind in kinds:
                here = slice(fault.first_h, fault.end_h)
                out[here] = scene.inflow_l(catchment, bare(fault.way))[here]
        return out

    arrived_l = as_far_as("coefficient", gutters=False, flush=False)
    passed_l = as_far_as("coefficient", "gutter", flush=False)
    by_flush = as_far_as(*KINDS)
    return RoofsFound(
        catchment,
        found,
        as_designed=scene.as_designed[place],
        by_runoff=as_far_as("coefficient"),
        by_gutter=as_far_as("coefficient", "gutter"),
        by_flush=by_flush,
        over_l=arrived_l - passed_l,
        flushed_l=passed_l - by_flush,
        metered_l=scene.metered_l(catchment),
    )


def _spells(scene: Scene, catchment: Catchment, tanks: list[TankFound]) -> Spells:
    """What came of each spell of rain that can be told."""
    counted_l = scene.metered_l(catchment)
    told = _by_rise(scene, catchment, tanks) if counted_l is None else _by_meter(counted_l)
    rows = []
    for first, end in events_of(scene.seen.rain_mm):
        came_l, noise_l = told(first, end)
        if not np.isnan(came_l):
            rows.append((first, end, came_l, noise_l))
    columns = np.array(rows, dtype=np.float64).reshape(-1, 4).T
    return Spells(columns[0].astype(np.int64), columns[1].astype(np.int64), columns[2], columns[3])


def _by_meter(counted_l: Floats) -> Told:
    def told(first: int, end: int) -> tuple[float, float]:
        came_l = float(counted_l[first:end].sum())
        return came_l, METER_SHARE * came_l + METER_L

    return told


def _by_rise(scene: Scene, catchment: Catchment, tanks: list[TankFound]) -> Told:
    """By the rise of its tank and what left it meanwhile; not where a tank may have run over."""
    index = next(place for place, tank in enumerate(tanks) if catchment.tank in tank.ids)
    tank, hours = tanks[index], scene.seen.hours
    blind = np.isnan(tank.use_l) | tank.brim
    for other in scene.above(index):
        blind |= tanks[other].brim | np.isnan(tanks[other].volume_l[1:])
    if index == scene.plan.backup_tank and scene.seen.backup_l is not None:
        blind |= np.nan_to_num(scene.seen.backup_l) > 0
    besides_l = scene.rain_mm * scene.plan.open_m2[index]
    for place in scene.feeding(index):
        counted_l = scene.metered_l(scene.catchments[place])
        besides_l = besides_l + (np.zeros(hours) if counted_l is None else np.nan_to_num(counted_l))
    left_l = _running(np.nan_to_num(tank.use_l) + tank.loss_l + tank.evaporated_l - besides_l)

    def told(first: int, end: int) -> tuple[float, float]:
        if blind[first:end].any():
            return float("nan"), 0.0
        came_l = tank.volume_l[end] - tank.volume_l[first] + left_l[end] - left_l[first]
        guessed_l = UNMETERED_SHARE * float(tank.guessed_l[first:end].sum())
        return float(came_l), float(np.hypot(1.5 * tank.noise_l, guessed_l))

    return told


def _running(amounts: Floats) -> Floats:
    """Sums up to each full hour. (H,) → (H + 1,)"""
    return np.concatenate([[0.0], np.cumsum(amounts)])
