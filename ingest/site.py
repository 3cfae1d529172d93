"""The site description: which roofs, tanks, draws and sensors there are, and their sizes.

Field names carry their units. A site is immutable; `ingest.sitefile` loads and checks it.
"""

from __future__ import annotations

import itertools
from functools import cached_property
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, StringConstraints, field_validator, model_validator

from ingest.reading import Quantity, quantity_of
from ingest.units import SENT_UNITS, scale_for

Id = Annotated[str, StringConstraints(pattern=r"^[a-z0-9][a-z0-9-]{0,39}$")]
Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Positive = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0)]
NotNegative = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0)]
Share = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=1)]
Month = Annotated[int, Field(strict=True, ge=1, le=12)]
TwelveMonths = Annotated[list[NotNegative], Field(min_length=12, max_length=12)]


class Part(BaseModel):
    """Whatever stands in a site file: unknown keys are refused, nothing changes later."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class FirstFlush(Part):
    """The chamber that takes the first, dirtiest water of a rain.

    volume_l          what it holds [L]
    drip_l_h          what drips out of it all the time; 0: emptied by hand [L/h]
    empties_after_dry_h  a self-emptying valve: empty after so many dry hours [h]
    """

    volume_l: NotNegative
    drip_l_h: NotNegative = 0.0
    empties_after_dry_h: Positive | None = None


class Roof(Part):
    """A roof and the way of its water to a tank.

    plan_area_m2         area seen from above [m²]
    runoff_coefficient   share of the rain, after wetting, that reaches the gutter
    wetting_loss_mm      what a dry roof holds back [mm]
    gutter_capacity_l_min  what gutter and downpipe can carry; absent: everything [L/min]
    """

    id: Id
    plan_area_m2: Positive
    runoff_coefficient: Annotated[float, Field(strict=True, gt=0, le=1)]
    wetting_loss_mm: NotNegative = 0.4
    gutter_capacity_l_min: Positive | None = None
    tank: Id
    first_flush: FirstFlush | None = None


class _Tank(Part):
    """What every tank has, whatever its shape.

    outlet_height_m    below it lies dead storage, out of reach [m above the floor]
    overflow_height_m  the brim: above it water leaves [m above the floor]
    overflow_to        id of the next tank in series; absent: it leaves the site
    low_l              when usable water is below this, somebody should know [L]
    """

    id: Id
    outlet_height_m: NotNegative
    overflow_height_m: Positive
    overflow_to: Id | None = None
    low_l: Positive | None = None

    @model_validator(mode="after")
    def _outlet_below_overflow(self) -> _Tank:
        if self.outlet_height_m >= self.overflow_height_m:
            raise ValueError("an outlet_height_m below the overflow_height_m")
        return self


class VerticalCylinder(_Tank):
    shape: Literal["vertical_cylinder"]
    diameter_m: Positive


class HorizontalCylinder(_Tank):
    shape: Literal["horizontal_cylinder"]
    diameter_m: Positive
    length_m: Positive

    @model_validator(mode="after")
    def _overflow_within(self) -> HorizontalCylinder:
        if self.overflow_height_m > self.diameter_m:
            raise ValueError("an overflow_height_m of at most the diameter_m")
        return self


class Rectangular(_Tank):
    shape: Literal["rectangular"]
    length_m: Positive
    width_m: Positive


class StrappingTable(_Tank):
    """A tank of any shape, by measured pairs of level [m] and volume [L]."""

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


class Draw(Part):
    """Somebody or something that takes water.

    litres_per_day  on a day of use [L/d]
    months          months of use; absent: all year
    hours           local hours of use, from and until; absent: spread over the day [h]
    reserve_l       usable water left to others: this draw stops there [L]
    """

    id: Id
    tank: Id
    feed: Literal["gravity", "pumped"]
    litres_per_day: NotNegative
    months: list[Month] | None = None
    hours: (
        Annotated[list[Annotated[int, Field(strict=True, ge=0, le=24)]], Field(min_length=2, max_length=2)] | None
    ) = None
    reserve_l: NotNegative = 0.0

    @field_validator("hours")
    @classmethod
    def _from_before_until(cls, hours: list[int] | None) -> list[int] | None:
        if hours is not None and hours[0] >= hours[1]:
            raise ValueError("the hour from which before the hour until which, such as [6, 9]")
        return hours


class Backup(Part):
    """The older supply that takes over. This service advises; people turn the valve."""

    id: Id
    changeover: Literal["by hand", "by itself"]


class Pump(Part):
    """power_w while running [W]; flow_l_min delivered [L/min]"""

    power_w: Positive
    flow_l_min: Positive


class Battery(Part):
    """The solar battery that runs pump and telemetry.

    capacity_ah  at the 20-hour rate [Ah]
    low_v        below it somebody should know [V]
    cutoff_v     below it the controller disconnects the pump [V]
    panel_w      rated power of the panel [W]
    standing_w   load that never stops: radio, logger [W]
    """

    chemistry: Literal["flooded", "agm", "gel", "lifepo4"]
    nominal_v: Annotated[float, Field(strict=True)]
    capacity_ah: Positive
    low_v: Positive
    cutoff_v: Positive
    panel_w: Positive
    standing_w: NotNegative = 1.0

    @field_validator("nominal_v")
    @classmethod
    def _a_bank(cls, volts: float) -> float:
        if volts not in (12, 24, 36, 48):
            raise ValueError("12, 24, 36 or 48")
        return volts

    @model_validator(mode="after")
    def _cutoff_below_low(self) -> Battery:
        if not self.cutoff_v < self.low_v < 1.3 * self.nominal_v:
            raise ValueError("cutoff_v below low_v, both near the nominal_v")
        return self


class Sensor(Part):
    """One value that a device sends.

    device, name  together the sensor's id, `DEVICE/NAME`
    measures      what it measures, such as `tank.main.level`
    every_s       how often it should be heard [s]
    noise         standard deviation of one reading, in the unit kept inside
    low, high     what is possible here, in the unit kept inside; narrows the quantity's range
    topic, pointer, unit  for a device that does not speak SenML: its whole topic, the RFC 6901
                  pointer to the number in its JSON, and the unit of that number
    """

    device: Id
    name: Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,39}$")]
    measures: str
    every_s: Positive = 900.0
    noise: NotNegative | None = None
    low: Number | None = None
    high: Number | None = None
    topic: Annotated[str, StringConstraints(pattern=r"^[^+#\x00]+$")] | None = None
    pointer: Annotated[str, StringConstraints(pattern=r"^(/([^~/]|~[01])*)*$")] | None = None
    unit: str | None = None

    @field_validator("measures")
    @classmethod
    def _a_known_quantity(cls, measures: str) -> str:
        quantity_of(measures)
        return measures

    @model_validator(mode="after")
    def _all_or_none(self) -> Sensor:
        if len({self.topic is None, self.pointer is None, self.unit is None}) > 1:
            raise ValueError("topic, pointer and unit together, or none of them")
        if self.unit is not None:
            scale_for(self.quantity.unit, self.unit)
        return self

    @property
    def id(self) -> str:
        return f"{self.device}/{self.name}"

    @cached_property
    def quantity(self) -> Quantity:
        return quantity_of(self.measures)[0]

    @property
    def sent_units(self) -> tuple[str, ...]:
        return tuple(SENT_UNITS[self.quantity.unit])


class Design(Part):
    """rain_mm: the rain that the design promised, January to December [mm a month]"""

    rain_mm: TwelveMonths


class Upkeep(Part):
    """Work that somebody has to do every so many days."""

    id: Id
    every_days: Positive


class Site(Part):
    """One small rainwater supply. latitude, longitude in degrees, north and east positive."""

    id: Id
    name: Annotated[str, StringConstraints(min_length=1, max_length=80)]
    latitude: Annotated[float, Field(strict=True, ge=-90, le=90)]
    longitude: Annotated[float, Field(strict=True, ge=-180, le=180)]
    timezone: str
    commissioned: AwareDatetime | None = None
    roof: Annotated[list[Roof], Field(min_length=1)]
    tank: Annotated[list[Tank], Field(min_length=1)]
    draw: list[Draw] = []
    backup: Backup | None = None
    pump: Pump | None = None
    battery: Battery | None = None
    sensor: list[Sensor] = []
    design: Design | None = None
    upkeep: list[Upkeep] = []

    @field_validator("timezone")
    @classmethod
    def _a_known_zone(cls, timezone: str) -> str:
        try:
            ZoneInfo(timezone)
        except (KeyError, ValueError, OSError):
            raise ValueError("a name of the time zone database, such as Europe/London") from None
        return timezone

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.timezone)

    def sensors_of(self, measures: str) -> list[Sensor]:
        """The sensors that measure one thing, in the order of the file."""
        return [sensor for sensor in self.sensor if sensor.measures == measures]
