"""A site as arrays: what the balance needs to know of roofs, tanks, draws and battery."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from forecast.model.geometry import geometry_of
from forecast.model.power import cutoff_share
from ingest.site import Site
from ingest.units import MINUTES_PER_HOUR

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

NOWHERE: Final = -1


class Plan(NamedTuple):
    """R roofs, T tanks in the order the water passes them, D draws in the order they are served.

    roof_area_m2, wetting_loss_mm, gutter_l_h, flush_volume_l, flush_drip_l_h, flush_dry_h   [R]
    roof_tank    index of the tank that a roof feeds                                         [R]
    dead_l, capacity_l                                                                       [T]
    tank_next    index of the tank that takes the overflow; NOWHERE: it leaves the site      [T]
    draw_tank    index of the tank                                                           [D]
    draw_floor_l a draw takes nothing below this volume of its tank: dead storage and reserve [D]
    draw_pumped  1 where the draw needs the pump and so the battery                          [D]
    pump_l_h, pump_w          what the pump delivers and needs while it runs
    battery_wh, cutoff_wh     energy when full; at the cut-off. No battery: infinite, zero
    charge_efficiency         share of the panel's energy that the battery keeps
    standing_w                load that never stops
    """

    roof_area_m2: Floats
    wetting_loss_mm: Floats
    gutter_l_h: Floats
    flush_volume_l: Floats
    flush_drip_l_h: Floats
    flush_dry_h: Floats
    roof_tank: Integers
    dead_l: Floats
    capacity_l: Floats
    tank_next: Integers
    draw_tank: Integers
    draw_floor_l: Floats
    draw_pumped: Integers
    pump_l_h: float
    pump_w: float
    battery_wh: float
    cutoff_wh: float
    charge_efficiency: float
    standing_w: float


#: What a lead-acid battery keeps of the energy that goes in (common practice, no source).
CHARGE_EFFICIENCY: Final = 0.85


def plan_of(site: Site) -> Plan:
    """The arrays of a site."""
    tanks = {tank.id: index for index, tank in enumerate(site.tank)}
    geometries = [geometry_of(tank) for tank in site.tank]
    flushes = [roof.first_flush for roof in site.roof]
    battery = site.battery
    pump_w = site.pump.power_w if site.pump else 0.0
    full_wh = battery.capacity_ah * battery.nominal_v if battery else np.inf
    return Plan(
        roof_area_m2=_floats(roof.plan_area_m2 for roof in site.roof),
        wetting_loss_mm=_floats(roof.wetting_loss_mm for roof in site.roof),
        gutter_l_h=_floats((roof.gutter_capacity_l_min or np.inf) * MINUTES_PER_HOUR for roof in site.roof),
        flush_volume_l=_floats(flush.volume_l if flush else 0.0 for flush in flushes),
        flush_drip_l_h=_floats(flush.drip_l_h if flush else 0.0 for flush in flushes),
        flush_dry_h=_floats((flush and flush.empties_after_dry_h) or np.inf for flush in flushes),
        roof_tank=_integers(tanks[roof.tank] for roof in site.roof),
        dead_l=_floats(geometry.dead_l for geometry in geometries),
        capacity_l=_floats(geometry.capacity_l for geometry in geometries),
        tank_next=_integers(tanks[tank.overflow_to] if tank.overflow_to else NOWHERE for tank in site.tank),
        draw_tank=_integers(tanks[draw.tank] for draw in site.draw),
        draw_floor_l=_floats(geometries[tanks[draw.tank]].dead_l + draw.reserve_l for draw in site.draw),
        draw_pumped=_integers(draw.feed == "pumped" for draw in site.draw),
        pump_l_h=site.pump.flow_l_min * MINUTES_PER_HOUR if site.pump else np.inf,
        pump_w=pump_w,
        battery_wh=full_wh,
        cutoff_wh=cutoff_share(battery, pump_w) * full_wh if battery else 0.0,
        charge_efficiency=CHARGE_EFFICIENCY,
        standing_w=battery.standing_w if battery else 0.0,
    )


def _floats(values: object) -> Floats:
    return np.array(list(values), dtype=np.float64)  # type: ignore[call-overload]


def _integers(values: object) -> Integers:
    return np.array(list(values), dtype=np.int64)  # type: ignore[call-overload]
