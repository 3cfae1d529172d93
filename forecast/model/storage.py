"""Tanks that are joined at their foot share one level: to the balance they are one storage."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from forecast.model.geometry import Geometry, geometry_of
from ingest.site import Draw, Site


class Storage(NamedTuple):
    """One tank, or several joined at their foot on one floor: V(h) = ΣVᵢ(h), communicating vessels. [m] → [L]

    tanks        their places in the site file
    geometry     of all together, up to the lowest brim
    overflow_to  id of the tank that takes what runs over that brim; None: it leaves the site
    """

    tanks: tuple[int, ...]
    geometry: Geometry
    overflow_to: str | None


def storages_of(site: Site) -> list[Storage]:
    """The storages of a site, in the order of their first tanks."""
    groups: dict[str, list[int]] = {}
    for place, tank in enumerate(site.tank):
        groups.setdefault(tank.joined_with or tank.id, []).append(place)
    return [_storage(site, tuple(places)) for places in groups.values()]


def floor_l(site: Site, draw: Draw, storage: Storage) -> float:
    """Volume of its storage at which a draw stops: its own tank's outlet, and the reserve above that. [L]"""
    tank = next(tank for tank in site.tank if tank.id == draw.tank)
    return float(storage.geometry.volume_l(tank.outlet_height_m)) + draw.reserve_l


def stops_at_m(site: Site, draw: Draw) -> float:
    """Level at which a draw stops, one level for joined tanks. [m above the floor]"""
    place = next(place for place, tank in enumerate(site.tank) if tank.id == draw.tank)
    storage = next(storage for storage in storages_of(site) if place in storage.tanks)
    return float(storage.geometry.level_m(floor_l(site, draw, storage)))


def _storage(site: Site, places: tuple[int, ...]) -> Storage:
    tanks = [site.tank[place] for place in places]
    lowest = min(tanks, key=lambda tank: tank.overflow_height_m)
    geometries = [geometry_of(tank) for tank in tanks]
    if len(tanks) == 1:
        return Storage(places, geometries[0], lowest.overflow_to)
    levels = np.unique(np.concatenate([geometry.levels_m for geometry in geometries]))
    levels = np.append(levels[levels < lowest.overflow_height_m], lowest.overflow_height_m)
    volumes = np.sum([geometry.volume_l(levels) for geometry in geometries], axis=0)
    outlet_m = min(tank.outlet_height_m for tank in tanks)
    dead_l = float(np.interp(outlet_m, levels, volumes))
    return Storage(places, Geometry(levels, volumes, dead_l, float(volumes[-1])), lowest.overflow_to)
