"""How much a tank holds at a level, and how high a volume stands in it.

Shapes follow the site file. Levels in metre above the floor, volumes in litre. Both
directions take scalars or arrays and clip to the tank, floor to top.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
import numpy.typing as npt

from ingest.site import HorizontalCylinder, Rectangular, StrappingTable, Tank, VerticalCylinder
from ingest.units import LITRES_PER_M3

Floats = npt.NDArray[np.float64]

#: Steps of the table by which a horizontal cylinder is inverted. At 4096 steps the level of any
#: volume is within 1e-6 of the diameter where the walls are not nearly flat (see the tests).
_STEPS: Final = 4096
#: Slices of the knuckle and of the crown of a dished end.
_SLICES: Final = 128


@dataclass(frozen=True)
class Geometry:
    """Level and volume of one tank, and the volumes that matter.

    levels_m, volumes_l  the tank as a table, both rising, linear between its rows
    dead_l      out of reach below the outlet [L]
    capacity_l  at the brim; more than this runs over [L]
    """

    levels_m: Floats
    volumes_l: Floats
    dead_l: float
    capacity_l: float

    def volume_l(self, level_m: float | Floats) -> Floats:
        """Volume at a level above the floor. [m] → [L]"""
        return np.asarray(np.interp(level_m, self.levels_m, self.volumes_l))

    def level_m(self, volume_l: float | Floats) -> Floats:
        """Level above the floor of a volume. [L] → [m]"""
        return np.asarray(np.interp(volume_l, self.volumes_l, self.levels_m))

    def surface_m2(self, level_m: float) -> float:
        """Free surface at a level, from the table's slope there. [m] → [m²]"""
        row = int(np.clip(np.searchsorted(self.levels_m, level_m, side="right"), 1, len(self.levels_m) - 1))
        rise = self.levels_m[row] - self.levels_m[row - 1]
        return float((self.volumes_l[row] - self.volumes_l[row - 1]) / LITRES_PER_M3 / rise)


def geometry_of(tank: Tank) -> Geometry:
    """The geometry of a tank of the site file."""
    match tank:
        case VerticalCylinder():
            levels, volumes = _prism(np.pi * tank.diameter_m**2 / 4, tank.overflow_height_m)
        case Rectangular():
            levels, volumes = _prism(tank.length_m * tank.width_m, tank.overflow_height_m)
        case HorizontalCylinder():
            levels, volumes = _lying(tank.diameter_m, tank.length_m, *_ends(tank))
        case StrappingTable():
            levels, volumes = np.array(tank.levels_m, dtype=float), np.array(tank.volumes_l, dtype=float)
    dead_l, capacity_l = np.interp([tank.outlet_height_m, tank.overflow_height_m], levels, volumes)
    return Geometry(levels, volumes, float(dead_l), float(capacity_l))


def _prism(area_m2: float, height_m: float) -> tuple[Floats, Floats]:
    """A tank of the same plan area all the way up, as a table of two rows."""
    return np.array([0.0, height_m]), np.array([0.0, area_m2 * height_m * LITRES_PER_M3])


def _ends(tank: HorizontalCylinder) -> tuple[float, float, float]:
    """Depth of elliptical ends, crown and knuckle radius of dished ones; zero where there are none. [m]"""
    match tank.ends:
        case "flat":
            return 0.0, 0.0, 0.0
        case "elliptical":
            return tank.end_depth_m or tank.diameter_m / 4, 0.0, 0.0
        case "dished":
            return 0.0, tank.crown_radius_m or tank.diameter_m, tank.knuckle_radius_m or tank.diameter_m / 10


@lru_cache(maxsize=1024)
def _lying(
    diameter_m: float, length_m: float, end_depth_m: float, crown_m: float, knuckle_m: float
) -> tuple[Floats, Floats]:
    """A lying cylinder as a table: L·(r²·acos((r − h)/r) − (r − h)·√(2rh − h²)), and its ends.

    Levels in metre, volumes in litre. Two half ellipsoids of depth a hold π·a·h²·(1 − h/(3r)). Plane and
    solid geometry, held against `fluids` in the tests. Dished ends have no closed form, see `_dished`.
    """
    radius = diameter_m / 2
    # Rows crowd towards floor and crown, where the walls close in fastest.
    levels = radius * (1 - np.cos(np.linspace(0, np.pi, _STEPS + 1)))
    volumes = _segment_area(radius, levels) * length_m + np.pi * end_depth_m * levels**2 * (1 - levels / (3 * radius))
    if crown_m:
        volumes = volumes + 2 * _dished(radius, crown_m, knuckle_m, levels)
    return levels, volumes * LITRES_PER_M3


def _dished(radius_m: float, crown_m: float, knuckle_m: float, levels: Floats) -> Floats:
    """Water in one dished (torispherical) end at levels above the cylinder's floor. [m³]

    Every cross-section is a disc, filled up to the common level; the discs are summed by Gauss and
    Legendre over the angle of the knuckle's arc and of the crown's.
    """
    # The arcs meet where the line from the crown's centre passes the knuckle's.
    meet = np.arcsin((radius_m - knuckle_m) / (crown_m - knuckle_m))
    nodes, weights = np.polynomial.legendre.leggauss(_SLICES)
    angle, share = (nodes + 1) / 2, weights / 2
    from_rim, from_axis = angle * (np.pi / 2 - meet), angle * meet
    radii = np.concatenate([radius_m - knuckle_m + knuckle_m * np.cos(from_rim), crown_m * np.sin(from_axis)])
    widths = np.concatenate(
        [
            knuckle_m * np.cos(from_rim) * share * (np.pi / 2 - meet),
            crown_m * np.sin(from_axis) * share * meet,
        ]
    )
    filled = np.clip(levels[:, None] - (radius_m - radii), 0.0, 2 * radii)
    return np.asarray(_segment_area(radii, filled) @ widths)


def _segment_area(radius_m: float | Floats, level_m: Floats) -> Floats:
    """Area of the circular segment below a level: r²·acos(d/r) − d·√(r² − d²), d = r − h. [m], [m] → [m²]"""
    below = radius_m - level_m
    half_chord = np.sqrt(np.maximum(0.0, level_m * (2 * radius_m - level_m)))
    return np.asarray(radius_m**2 * np.arccos(np.clip(below / radius_m, -1, 1)) - below * half_chord)
