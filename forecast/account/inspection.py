"""What the hours show of a site's parts: its storages, then its roofs, which need them. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from forecast.account.catchment import Catchment, Way
from forecast.account.measured import Measured
from forecast.account.roofs import KINDS, AsFound, as_found
from forecast.account.scene import Scene
from forecast.account.spells import told_of
from forecast.account.tanks import TankFound, tank_found
from forecast.model.plan import Plan
from ingest.site import Site

Floats = npt.NDArray[np.float64]


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
    told = told_of(scene, catchment, tanks)

    def expected(way: Way) -> Floats:
        return told.seen_of(scene.inflow_l(catchment, way))

    prior, area_m2 = catchment.prior(scene.site), catchment.area_m2(scene.site)
    found = as_found(told.spells, expected, prior, area_m2, scene.seen.hours)
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
