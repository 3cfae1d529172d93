"""The site description: which roofs, tanks, draws and sensors there are, and their sizes.

Field names carry their units. A site is immutable; `ingest.sitefile` loads and checks it.
"""

from __future__ import annotations

from functools import cached_property
from typing import Annotated, Final, Literal
from zoneinfo import ZoneInfo

from pydantic import AwareDatetime, Field, StringConstraints, field_validator, model_validator

from ingest.part import (
    AmpereHours,
    Id,
    LitresPerMinute,
    Millimetres,
    Month,
    NotNegative,
    Number,
    Part,
    Positive,
    Share,
    SquareMetres,
    TwelveMonths,
    Watts,
    Words,
)
from ingest.pipework import Line, Pump
from ingest.reading import Quantity, quantity_of
from ingest.tank import HorizontalCylinder, Rectangular, StrappingTable, Tank, VerticalCylinder
from ingest.units import SENT_UNITS, scale_for

#: `PREFIX/SITE/alarm/ALARM` shows the state of an alarm; so no device may have this name.
ALARM_LEVEL: Final = "alarm"

#: Tanks, pipes and pumps have files of their own and are used from here.
__all__ = [
    "Backup", "Battery", "Design", "Draw", "FirstFlush", "HorizontalCylinder", "Line", "Pump", "Rectangular", "Roof",
    "Sensor", "Site", "StrappingTable", "Tank", "Upkeep", "VerticalCylinder",
]  # fmt: skip


#: A bank's marks lie within these times its nominal voltage; beyond, they are those of another bank (common practice).
_LEAST_V: Final = 0.75
_MOST_V: Final = 1.3


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

    id                   its name: small letters, digits and hyphens
    plan_area_m2         area seen from above [m²]
    runoff_coefficient   share of the rain, after wetting, that reaches the gutter
    wetting_loss_mm      what a dry roof holds back [mm]
    gutter_capacity_l_min  what gutter and downpipe can carry; absent: everything [L/min]
    tank                 id of the tank that it feeds
    first_flush          the chamber between gutter and tank
    """

    id: Id
    plan_area_m2: SquareMetres
    runoff_coefficient: Annotated[float, Field(strict=True, gt=0, le=1)]
    wetting_loss_mm: Millimetres = 0.4
    gutter_capacity_l_min: LitresPerMinute | None = None
    tank: Id
    first_flush: FirstFlush | None = None


class Draw(Part):
    """Somebody or something that takes water.

    id              its name
    tank            id of the tank that it takes from; of joined tanks, from the water of all, down to the outlet
                    of this one
    feed            by gravity, or pumped
    litres_per_day  on a day of use [L/d]
    months          months of use; absent: all year
    hours           local hours of use, from and until; absent: spread over the day [h]
    reserve_l       usable water left to others: this draw stops there; of joined tanks, that of all together,
                    above the outlet of its own [L]
    drinking        people may drink it
    treatment       how it is made fit for that, in words
    line            the pipe to it, for the design check
    """

    id: Id
    tank: Id
    feed: Literal["gravity", "pumped"]
    litres_per_day: NotNegative
    months: Annotated[list[Month], Field(min_length=1)] | None = None
    hours: (
        Annotated[list[Annotated[int, Field(strict=True, ge=0, le=24)]], Field(min_length=2, max_length=2)] | None
    ) = None
    reserve_l: NotNegative = 0.0
    drinking: bool = False
    treatment: Words | None = None
    line: Line | None = None

    @field_validator("hours")
    @classmethod
    def _from_before_until(cls, hours: list[int] | None) -> list[int] | None:
        if hours is not None and hours[0] >= hours[1]:
            raise ValueError("the hour from which before the hour until which, such as [6, 9]")
        return hours


class Backup(Part):
    """The older supply that takes over. This service advises; people turn the valve.

    One that works by itself feeds the draws directly, or pours into a tank, behind an air gap.

    id              its name
    changeover      how it takes over
    tank            id of the tank that it pours into by itself; with it the three below
    opens_below_l   usable water of the tank below which it opens; of joined tanks, of all together [L]
    closes_above_l  usable water above which it closes; of joined tanks, of all together [L]
    flow_l_min      what it delivers while open [L/min]
    """

    id: Id
    changeover: Literal["by hand", "by itself"]
    tank: Id | None = None
    opens_below_l: NotNegative | None = None
    closes_above_l: Positive | None = None
    flow_l_min: LitresPerMinute | None = None

    @model_validator(mode="after")
    def _by_itself_into_a_tank(self) -> Backup:
        keys = (self.tank, self.opens_below_l, self.closes_above_l, self.flow_l_min)
        if any(key is not None for key in keys):
            if self.changeover != "by itself":
                raise ValueError(
                    'tank, opens_below_l, closes_above_l and flow_l_min only with changeover = "by itself"'
                )
            if self.opens_below_l is None or self.closes_above_l is None or None in keys:
                raise ValueError("tank, opens_below_l, closes_above_l and flow_l_min together, or none of them")
            if self.opens_below_l >= self.closes_above_l:
                raise ValueError("an opens_below_l below the closes_above_l")
        return self


class Battery(Part):
    """The solar battery that runs pump and telemetry.

    chemistry    of its cells
    nominal_v    12, 24, 36 or 48 [V]
    capacity_ah  at the 20-hour rate [Ah]
    low_v        below it somebody should know [V]
    cutoff_v     below it the controller disconnects the pump [V]
    panel_w      rated power of the panel [W]
    standing_w   load that never stops: radio, logger [W]
    tilt_deg     of the panel from the horizontal; absent: the latitude [degrees]
    azimuth_deg  where it faces, from north over east; absent: towards the equator [degrees]
    """

    chemistry: Literal["flooded", "agm", "gel", "lifepo4"]
    nominal_v: Annotated[float, Field(strict=True)]
    capacity_ah: AmpereHours
    low_v: Positive
    cutoff_v: Positive
    panel_w: Watts
    standing_w: NotNegative = 1.0
    tilt_deg: Annotated[float, Field(strict=True, ge=0, le=90)] | None = None
    azimuth_deg: Annotated[float, Field(strict=True, ge=0, lt=360)] | None = None

    @field_validator("nominal_v")
    @classmethod
    def _a_bank(cls, volts: float) -> float:
        if volts not in (12, 24, 36, 48):
            raise ValueError("12, 24, 36 or 48")
        return volts

    @model_validator(mode="after")
    def _cutoff_below_low(self) -> Battery:
        if not _LEAST_V * self.nominal_v < self.cutoff_v < self.low_v < _MOST_V * self.nominal_v:
            least, most = _LEAST_V * self.nominal_v, _MOST_V * self.nominal_v
            raise ValueError(
                f"a cutoff_v below the low_v, and both above {least:g} and below {most:g}, near the nominal_v of "
                f"{self.nominal_v:g}; they are cutoff_v = {self.cutoff_v:g} and low_v = {self.low_v:g}"
            )
        return self


class Sensor(Part):
    """One value that a device sends.

    device        what sends it, as it stands in the topic
    name          which value of the device; `DEVICE/NAME` is the sensor's id
    measures      what it measures, such as `tank.main.level`
    every_s       how often it should be heard [s]
    noise         standard deviation of one reading, in the unit kept inside
    low, high     what is possible here, in the unit kept inside; narrows the quantity's range
    topic         for a device that does not speak SenML, with the two below: its whole topic
    pointer       RFC 6901 pointer to the number in its JSON
    unit          unit of that number
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

    @field_validator("device")
    @classmethod
    def _not_where_alarms_are_shown(cls, device: str) -> str:
        if device == ALARM_LEVEL:
            raise ValueError(f"another name: the state of alarms is shown under {ALARM_LEVEL!r}")
        return device

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

    @model_validator(mode="after")
    def _within_what_is_possible(self) -> Sensor:
        quantity = self.quantity
        low = quantity.low if self.low is None else self.low
        high = quantity.high if self.high is None else self.high
        if not quantity.low <= low < high <= quantity.high:
            possible = f"{quantity.low:g} to {quantity.high:g} {quantity.unit}, the unit kept inside"
            raise ValueError(f"low below high, both within {possible}")
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
    """What the design promised, and was made for.

    rain_mm           rain of each month, January to December [mm a month]
    reliable_days     share of the days on which everything that is wanted shall be there
    gutter_rain_mm_h  rain that gutters must carry; absent: 75, the usual example of EN 12056-3 [mm/h]
    """

    rain_mm: TwelveMonths
    reliable_days: Share | None = None
    gutter_rain_mm_h: Annotated[float, Field(strict=True, gt=0, le=1_000)] | None = None


class Upkeep(Part):
    """Work that somebody has to do every so many days.

    id          its name
    every_days  how often it is due [days]
    """

    id: Id
    every_days: Positive


class Site(Part):
    """One small rainwater supply.

    id                its name in topics and addresses: small letters, digits and hyphens
    name              its name for people
    latitude          north positive [degrees]
    longitude         east positive [degrees]
    timezone          a name of the time zone database, such as Europe/London
    commissioned      when it was handed over, with its offset from UTC
    rain_peak_factor  how much harder it rains in the hardest part of a wet hour than in its mean;
                      absent: learned from an hourly rain record, or 1, which hides what gutters lose
    """

    id: Id
    name: Annotated[str, StringConstraints(min_length=1, max_length=80)]
    latitude: Annotated[float, Field(strict=True, ge=-90, le=90)]
    longitude: Annotated[float, Field(strict=True, ge=-180, le=180)]
    timezone: str
    commissioned: AwareDatetime | None = None
    rain_peak_factor: Annotated[float, Field(strict=True, ge=1, le=30)] | None = None
    roof: Annotated[list[Roof], Field(min_length=1)]
    tank: Annotated[list[Tank], Field(min_length=1)]
    draw: list[Draw] = Field(default_factory=list)
    backup: Backup | None = None
    pump: Pump | None = None
    battery: Battery | None = None
    sensor: list[Sensor] = Field(default_factory=list)
    design: Design | None = None
    upkeep: list[Upkeep] = Field(default_factory=list)

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
