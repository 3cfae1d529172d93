"""What a design check finds, in numbers. Names end in their units; a year is a mean year unless it has a label."""

from __future__ import annotations

from typing import Literal, NamedTuple

from pydantic import BaseModel, ConfigDict, Field

from forecast.sizing.batch import Lever
from forecast.sizing.finding import Finding


class _Figures(BaseModel):
    model_config = ConfigDict(frozen=True)


class Month(_Figures):
    """A mean month, 1 to 12; a `total` row has month 0. What fell is what was lost and what was captured."""

    month: int = Field(description="1 to 12; 0: the year.")
    rain_mm: float
    roof_rain_l: float = Field(description="Rain on all roofs, and into tanks without a roof. [L]")
    wetting_loss_l: float = Field(description="Held back by roofs and dried. [L]")
    coefficient_loss_l: float = Field(description="Lost on the roof beyond that: splash, wind, leaks. [L]")
    gutter_loss_l: float = Field(description="Over the gutters' sides. [L]")
    first_flush_l: float = Field(description="Into the first-flush chambers. [L]")
    captured_l: float = Field(description="Reached the tanks. [L]")
    wanted_l: float
    drawn_l: float = Field(description="Of it, from rain water. [L]")
    backup_l: float = Field(description="What a backup has to give, or nobody gets. [L]")
    spilled_l: float
    evaporated_l: float
    short_days: float = Field(description="Days on which rain water did not reach for all that was wanted.")


class YearOfRun(_Figures):
    """One year of the run."""

    label: str
    rain_mm: float
    reliable_volume: float = Field(description="Share of what was wanted that rain water gave.")
    reliable_days: float = Field(description="Share of the days with use on which it gave everything.")
    short_days: int
    empty_days: int = Field(description="Days that end with a tank used up that somebody draws from.")
    spilled_l: float


class DrySpells(_Figures):
    """Days in a row with less than 1 mm, with use."""

    longest_days: int
    outlasted_days: int = Field(description="The longest in which nothing was lacking.")
    of_a_week: int = Field(description="How many there were of seven days and more.")
    of_a_week_outlasted: int
    full_tank_days: float | None = Field(description="How long a full tank lasts without rain, at the greatest use.")


class Point(_Figures):
    """One size of a lever, and what it gives in a mean year."""

    size: float
    reliable_volume: float
    reliable_days: float
    drawn_l: float
    spilled_l: float


class Curve(_Figures):
    """Sizes of one lever, rising; all else as it is."""

    lever: Lever
    unit: str
    now: Point
    points: list[Point]
    knee: float | None = Field(
        description="Tank beyond which more gives less than its own volume a year; null: none of these."
    )


class Buys(_Figures):
    """What one step of a lever buys in a mean year, and what a tenth of its size does."""

    lever: Lever
    unit: str
    step: float
    drawn_l: float = Field(description="More drawn for the step. [L]")
    backup_l: float = Field(description="More to come from a backup, or lacking, for the step. [L]")
    enough_days: float = Field(description="More days with enough, for the step.")
    spilled_l: float = Field(description="More spilled, for the step. [L]")
    tenth_drawn_l: float = Field(description="More drawn for a tenth. [L]")
    tenth_enough_days: float


class ReturnLevel(_Figures):
    """A rate that is reached or passed once in so many years, in the mean. Hourly means, and within the hour."""

    years: int
    overflow_l_min: float
    all_roofs_l_min: float = Field(description="What the roofs deliver: the overflow of a full tank.")
    beyond_record: bool = Field(description="Rarer than the record can say.")


class Storms(_Figures):
    """How fast water must be carried away. Within the hour it is harder by a factor between the two."""

    levels: list[ReturnLevel]
    years: int
    peak_low: float
    peak_high: float
    peak_known: bool = Field(description="From the site file or learned from an hourly record; else a stated range.")
    hardest_hour_mm: float


class Gutter(_Figures):
    """One roof's gutter against its design rain."""

    roof: str
    design_rain_mm_h: float
    needed_l_min: float
    capacity_l_min: float | None
    carries_mm_h: float | None
    half_round_mm: int | None = Field(description="Smallest level half-round gutter that would carry it; null: none.")


class FlushCheck(_Figures):
    """One roof's first flush."""

    roof: str
    volume_l: float
    depth_mm: float = Field(description="Over the roof.")
    emptying_h: float | None = Field(description="Until its drip has emptied it; null: by hand or by a valve.")
    empties_after_dry_h: float | None
    by_hand: bool
    swallowed: float = Field(description="Share of the rains of 1 mm and more that it takes whole.")


class OutletCheck(_Figures):
    """Head at one draw's outlet."""

    draw: str
    feed: Literal["gravity", "pumped"]
    flow_l_min: float
    speed_m_s: float
    loss_m: float = Field(description="Friction and fittings at that flow.")
    head_full_m: float = Field(description="Left at the outlet, tank full. Pumped: that the pump must give.")
    head_low_m: float = Field(description="The same with the water at the tank's outlet.")
    flow_full_l_min: float = Field(description="That comes out, tank full.")
    flow_low_l_min: float
    level_needed_m: float | None = Field(description="Lowest water level that gives the flow; null: none does.")
    efficiency: float | None = Field(description="Water power over the pump's power, tank low; null: no curve.")


class PowerMonth(_Figures):
    """A mean day of a month."""

    month: int
    sun_wh: float = Field(description="What the battery gets of the panel.")
    load_wh: float = Field(description="Pump and standing load.")


class PowerCheck(_Figures):
    """Panel and battery."""

    months: list[PowerMonth]
    worst_month: int
    pump_wh: float = Field(description="Of the pump on a day of greatest use. [Wh]")
    usable_wh: float = Field(description="From full to the cut-off, in the cold.")
    usable_share: float = Field(description="The same as a share of what the battery is rated for.")
    autonomy_days: float = Field(description="Without any sun, at the greatest load.")
    longest_night_h: float
    night_share: float = Field(description="Share of the usable charge that the longest night takes.")
    cutoff_days: float = Field(description="Days a year on which the pump was cut off.")


class SimpleMethod(_Figures):
    """A hand calculation beside the run. amount: null where it has no answer."""

    method: str
    amount: float | None
    unit: str


class Figures(_Figures):
    """All numbers of one design check."""

    site: str
    source: str
    stand_in: bool
    daily: bool
    years: int
    left_out: list[str]
    filled_h: int
    edge_h: int = Field(description="Hours of the record before its first whole year and after its last, not used.")
    usable_l: float
    roof_area_m2: float
    total: Month
    months: list[Month]
    by_year: list[YearOfRun]
    worst_year: str
    reliable_volume: float
    reliable_days: float
    pessimistic_volume: float = Field(description="Reliability in volume if the overflow left before anybody draws.")
    dry_spells: DrySpells
    curves: list[Curve]
    buys: list[Buys]
    storms: Storms
    gutters: list[Gutter]
    first_flushes: list[FlushCheck]
    outlets: list[OutletCheck]
    power: PowerCheck | None
    simple: list[SimpleMethod]


class DesignCheck(NamedTuple):
    """Numbers, and what they mean."""

    figures: Figures
    findings: list[Finding]
