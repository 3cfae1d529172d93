"""The tanks of a site file: their shapes and sizes."""

from __future__ import annotations

import itertools
from typing import Annotated, Literal

from pydantic import Field, model_validator

from ingest.part import Height, Id, LitresPerMinute, Metres, NotNegative, Part, Positive, Words


class _Tank(Part):
    """What every tank has, whatever its shape.

    id                 its name
    shape              which of the shapes this is; the keys below depend on it
    outlet_height_m    below it lies dead storage, out of reach [m above the floor]
    overflow_height_m  the brim: above it water leaves [m above the floor]
    overflow_to        id of the next tank in series; absent: it leaves the site
    joined_with        id of a tank further up in the file to which its foot is piped, on the same floor:
                       both share one level, and water leaves over the lower brim
    open_top           no roof over it: rain falls in, the sun takes out
    low_l              when usable water is below this, somebody should know; of joined tanks, that of this one
                       alone [L]
    overflow_route     where the overflow leads, in words; the design check asks for it
    overflow_capacity_l_min  what the overflow pipe carries away [L/min]
    """

    id: Id
    outlet_height_m: Height
    overflow_height_m: Metres
    overflow_to: Id | None = None
    joined_with: Id | None = None
    open_top: bool = False
    low_l: Positive | None = None
    overflow_route: Words | None = None
    overflow_capacity_l_min: LitresPerMinute | None = None

    @model_validator(mode="after")
    def _outlet_below_overflow(self) -> _Tank:
        if self.outlet_height_m >= self.overflow_height_m:
            raise ValueError("an outlet_height_m below the overflow_height_m")
        return self


class VerticalCylinder(_Tank):
    """A standing cylinder.

    diameter_m  inner diameter [m]
    """

    shape: Literal["vertical_cylinder"]
    diameter_m: Metres


class HorizontalCylinder(_Tank):
    """A lying cylinder.

    diameter_m        inner diameter [m]
    length_m          of the straight part, without the ends [m]
    ends              flat; elliptical; dished: a spherical crown with a rounded knuckle (torispherical)
    end_depth_m       how far an elliptical end bulges; absent: a quarter of the diameter [m]
    crown_radius_m    of a dished end; absent: the diameter [m]
    knuckle_radius_m  of a dished end; absent: a tenth of the diameter (DIN 28011, from memory) [m]
    """

    shape: Literal["horizontal_cylinder"]
    diameter_m: Metres
    length_m: Metres
    ends: Literal["flat", "elliptical", "dished"] = "flat"
    end_depth_m: Positive | None = None
    crown_radius_m: Positive | None = None
    knuckle_radius_m: Positive | None = None

    @model_validator(mode="after")
    def _overflow_within(self) -> HorizontalCylinder:
        if self.overflow_height_m > self.diameter_m:
            raise ValueError("an overflow_height_m of at most the diameter_m")
        if self.open_top:
            raise ValueError("no open_top: a lying cylinder is closed")
        return self

    @model_validator(mode="after")
    def _ends_as_described(self) -> HorizontalCylinder:
        if self.end_depth_m is not None and self.ends != "elliptical":
            raise ValueError('end_depth_m only with ends = "elliptical"')
        if (self.crown_radius_m is not None or self.knuckle_radius_m is not None) and self.ends != "dished":
            raise ValueError('crown_radius_m and knuckle_radius_m only with ends = "dished"')
        crown_m, knuckle_m = self.crown_radius_m or self.diameter_m, self.knuckle_radius_m or self.diameter_m / 10
        if not knuckle_m < self.diameter_m / 2 <= crown_m:
            raise ValueError("a knuckle_radius_m below, and a crown_radius_m of at least, half the diameter_m")
        return self


class Rectangular(_Tank):
    """A box.

    length_m, width_m  inside [m]
    """

    shape: Literal["rectangular"]
    length_m: Metres
    width_m: Metres


class StrappingTable(_Tank):
    """A tank of any shape, by measured pairs of level and volume.

    levels_m   levels, the first 0 [m above the floor]
    volumes_l  volumes at these levels [L]
    """

    shape: Literal["strapping_table"]
    levels_m: Annotated[list[NotNegative], Field(min_length=2)]
    volumes_l: Annotated[list[NotNegative], Field(min_length=2)]

    @model_validator(mode="after")
    def _rising_and_long_enough(self) -> StrappingTable:
        rising = all(
            low < high for column in (self.levels_m, self.volumes_l) for low, high in itertools.pairwise(column)
        )
        if len(self.levels_m) != len(self.volumes_l) or not rising or self.levels_m[0] != 0:
            raise ValueError("as many levels_m as volumes_l, both rising, the first level 0")
        if self.overflow_height_m > self.levels_m[-1]:
            raise ValueError("levels_m that reach up to the overflow_height_m")
        return self


Tank = Annotated[VerticalCylinder | HorizontalCylinder | Rectangular | StrappingTable, Field(discriminator="shape")]
