"""A site as arrays: what the balance needs to know of roofs, tanks, draws and battery."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from forecast.model.geometry import geometry_of
from forecast.model.power import RATED_C, power_of
from forecast.model.storage import Storage, floor_l, storages_of
from ingest.site import Site
from ingest.units import MINUTES_PER_HOUR

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

NOWHERE: Final = -1


class Plan(NamedTuple):
    """R roofs, T tanks in the order the water passes them, D draws in the order they are served.

    roof_area_m2, wetting_loss_mm, flush_volume_l, flush_drip_l_h, flush_dry_h               [R]
    roof_tank    index of the tank that a roof feeds                                         [R]
    gutter_l_h   what the gutter carries, less what peaks within the hour take of it           [R]
    dead_l, capacity_l                                                                       [T]
    tank_next    index of the tank that takes the overflow; NOWHERE: it leaves the site      [T]
    draw_tank    index of the tank                                                           [D]
    draw_floor_l a draw takes nothing below this volume of its tank: dead storage and reserve [D]
    draw_pumped  1 where the draw needs the pump and so the battery                          [D]
    pump_l_h, pump_w          what the pump delivers and needs while it runs
    battery_wh, cutoff_wh     energy when full; at the cut-off. No battery: infinite, zero
    charge_efficiency         share of the panel's energy that the battery keeps
    standing_w                load that never stops, the battery's own losses in
    open_m2      surface of a tank without a roof: rain falls in, the sun takes out; 0: covered [T]
    used_up_l    at this volume the rain water is used up: dead storage, or where a backup opens [T]
    backup_tank  index of the tank that a backup fills by itself; NOWHERE: none
    backup_below_l, backup_above_l, backup_l_h   opens below, closes above, delivers
    tank_storage index of T that each tank of the site file belongs to: joined tanks are one  [tanks]
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
    open_m2: Floats
    used_up_l: Floats
    backup_tank: int
    backup_below_l: float
    backup_above_l: float
    backup_l_h: float
    tank_storage: Integers

    @property
    def feeds(self) -> list[int]:
        """Tanks that somebody draws from; where nobody does, all of them."""
        return sorted({int(tank) for tank in self.draw_tank}) or list(range(len(self.dead_l)))

    @property
    def ends(self) -> list[int]:
        """Tanks whose overflow leaves the site."""
        return [index for index, following in enumerate(self.tank_next) if following == NOWHERE]


def plan_of(site: Site, *, battery_c: float = RATED_C) -> Plan:
    """The arrays of a site.

    battery_c  temperature of the battery in the time to come [°C]
    """
    storages = storages_of(site)
    storage_of = {site.tank[tank].id: index for index, storage in enumerate(storages) for tank in storage.tanks}
    flushes = [roof.first_flush for roof in site.roof]
    peaks = site.rain_peak_factor or 1.0
    backup = site.backup if site.backup and site.backup.tank else None
    filled = storage_of[backup.tank] if backup and backup.tank else NOWHERE
    dead_l = [storage.geometry.dead_l for storage in storages]
    capacity_l = [storage.geometry.capacity_l for storage in storages]
    # Usable litres to volumes; a backup never fills beyond the brim.
    below_l, above_l = (
        min(dead_l[filled] + (usable_l or 0.0), capacity_l[filled]) if backup else 0.0
        for usable_l in ((backup.opens_below_l, backup.closes_above_l) if backup else (None, None))
    )
    power = power_of(site, battery_c)
    return Plan(
        roof_area_m2=_floats(roof.plan_area_m2 for roof in site.roof),
        wetting_loss_mm=_floats(roof.wetting_loss_mm for roof in site.roof),
        gutter_l_h=_floats((roof.gutter_capacity_l_min or np.inf) * MINUTES_PER_HOUR / peaks for roof in site.roof),
        flush_volume_l=_floats(flush.volume_l if flush else 0.0 for flush in flushes),
        flush_drip_l_h=_floats(flush.drip_l_h if flush else 0.0 for flush in flushes),
        flush_dry_h=_floats((flush and flush.empties_after_dry_h) or np.inf for flush in flushes),
        roof_tank=_integers(storage_of[roof.tank] for roof in site.roof),
        dead_l=_floats(dead_l),
        capacity_l=_floats(capacity_l),
        tank_next=_integers(
            storage_of[storage.overflow_to] if storage.overflow_to else NOWHERE for storage in storages
        ),
        draw_tank=_integers(storage_of[draw.tank] for draw in site.draw),
        draw_floor_l=_floats(floor_l(site, draw, storages[storage_of[draw.tank]]) for draw in site.draw),
        draw_pumped=_integers(draw.feed == "pumped" for draw in site.draw),
        pump_l_h=site.pump.flow_l_min * MINUTES_PER_HOUR if site.pump else np.inf,
        pump_w=power.pump_w,
        battery_wh=power.battery_wh,
        cutoff_wh=power.cutoff_wh,
        charge_efficiency=power.charge_efficiency,
        standing_w=power.standing_w,
        open_m2=_floats(_open_m2(site, storage) for storage in storages),
        used_up_l=_floats(max(dead, below_l) if index == filled else dead for index, dead in enumerate(dead_l)),
        backup_tank=filled,
        backup_below_l=below_l,
        backup_above_l=above_l,
        backup_l_h=(backup.flow_l_min or 0.0) * MINUTES_PER_HOUR if backup else 0.0,
        tank_storage=_integers(storage_of[tank.id] for tank in site.tank),
    )


def _open_m2(site: Site, storage: Storage) -> float:
    """Surface at the brim of the tanks that have no roof."""
    tanks = [site.tank[tank] for tank in storage.tanks]
    return sum(geometry_of(tank).surface_m2(tank.overflow_height_m) for tank in tanks if tank.open_top)


def _floats(values: object) -> Floats:
    return np.array(list(values), dtype=np.float64)  # type: ignore[call-overload]


def _integers(values: object) -> Integers:
    return np.array(list(values), dtype=np.int64)  # type: ignore[call-overload]
