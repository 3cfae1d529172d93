"""The account as a document: plain data, for the command, the API, the page and exports.

Volumes in litre, instants in UTC ms; `sd` is a standard deviation in the unit of its figure. NaN (null
in JSON): no hour tells it, which is never zero.
"""

from __future__ import annotations

from typing import Final

import msgspec

from ingest.saying import Saying

#: The causes of a shortfall, in the water's way. Their parts add up to the shortfall.
CAUSES: Final = (
    "rain", "coefficient", "gutter", "first-flush", "full", "not-drawn", "leak", "missing", "unexplained",
)  # fmt: skip
#: A cause that stands beside them: an instrument moves water in the books, not in the pipes.
LEVEL_SENSOR: Final = "level-sensor"


class Flows(msgspec.Struct, frozen=True):
    """Where the water of a span went, in the hours in which everything was measured. [L]

    rain_l         fell on the roofs
    roof_loss_l    wetted them, splashed or seeped away: rain less all that follows
    gutter_loss_l, first_flush_l  over the gutter's side; into the first flush
    inflow_l       into the tanks
    yield_l        rain water that was drawn
    spilled_l      off the site over the last brim
    lost_l         leaked, or passed no meter
    evaporated_l   from tanks without a roof
    stored_l       more in the tanks at the end than at the start
    closure_l      inflow less what follows it: how far meters and levels disagree; 0 in a design; NaN: the inflow has
                   no meter, so nothing checks it
    """

    rain_l: float
    roof_loss_l: float
    gutter_loss_l: float
    first_flush_l: float
    inflow_l: float
    yield_l: float
    spilled_l: float
    lost_l: float
    evaporated_l: float
    stored_l: float
    closure_l: float


class Part(msgspec.Struct, frozen=True):
    """The part of a cause in the shortfall; below zero it made up for others. [L]"""

    cause: str
    litres: float
    sd: float


class Named(msgspec.Struct, frozen=True):
    """A cause that stands out of its own error, largest first.

    litres  of the shortfall; of an instrument, what it would have moved in the books
    share   of the designed yield
    alike   causes that would look the same in these data
    """

    cause: str
    litres: float
    share: float
    why: Saying
    alike: list[str]
    tell_apart: Saying | None = None


class Period(msgspec.Struct, frozen=True):
    """A month, a season, or the whole. What is compared is of the same hours.

    hours            all of it
    drawn_h, rain_h, told_h  hours that tell what was drawn, the rain, and everything
    rain_mm, design_rain_mm  measured; the design's of the same hours
    designed_yield_l, actual_yield_l  rain water drawn by the design and really, in the hours that tell it
    untold_yield_l   drawn by the design in the other hours: in no shortfall
    yield_sd_l, spilled_sd_l, inflow_sd_l  of the actual ones
    shortfall_l      designed less actual yield; the parts add up to it
    designed, actual  flows of the hours in which everything was measured
    named            causes that stand out, largest first
    """

    name: str
    start_ms: int
    end_ms: int
    hours: int
    drawn_h: int
    rain_h: int
    told_h: int
    rain_mm: float
    design_rain_mm: float
    designed_yield_l: float
    untold_yield_l: float
    actual_yield_l: float
    yield_sd_l: float
    inflow_sd_l: float
    spilled_sd_l: float
    shortfall_l: float
    designed: Flows
    actual: Flows
    parts: list[Part]
    named: list[Named]

    def part(self, cause: str) -> float:
        """Litres of a cause."""
        return next(part.litres for part in self.parts if part.cause == cause)


class RoofLearned(msgspec.Struct, frozen=True):
    """A catchment as found beside the site file's figures.

    trend_year  change a year of what spells of rain bring [share]; None: too few, or too short a time
    """

    roofs: str
    metered: bool
    events: int
    coefficient: float
    coefficient_sd: float
    loss_mm: float
    loss_sd_mm: float
    file_coefficient: float
    file_loss_mm: float
    trend_year: float | None
    trend_sd: float | None


class TankLearned(msgspec.Struct, frozen=True):
    """A storage as found. None: it cannot be told.

    leak_l_h, meter_gain  lost by the hour; litres that the level fell for each metered one
    sensor_error_m        what the level sensor shows too much, at the end; sensor_change_m from the first to then
    """

    tank: str
    leak_l_h: float | None
    leak_sd_l_h: float | None
    meter_gain: float | None
    meter_gain_sd: float | None
    sensor_error_m: float | None
    sensor_change_m: float | None


class Account(msgspec.Struct, frozen=True):
    """What was promised, what came, and why. `whole` is the sum of `months`; `seasons` are groups of them.

    asked_ms  from when on it was asked for; it begins at `start_ms`, when something was first measured
    basis     which rain was promised, beside that of a design check
    """

    site: str
    asked_ms: int
    start_ms: int
    end_ms: int
    whole: Period
    months: list[Period]
    seasons: list[Period]
    roofs: list[RoofLearned]
    tanks: list[TankLearned]
    basis: list[Saying]
    notes: list[Saying]
    cautions: list[Saying]


class Outcome(msgspec.Struct, frozen=True):
    """What a run gave. [L]

    yield_l, spilled_l  rain water drawn; off the site
    unmet_l, short_days wanted in vain; days with any of it
    yield_by_month_l    in the order of `WhatIf.months`
    """

    yield_l: float
    spilled_l: float
    unmet_l: float
    short_days: int
    yield_by_month_l: list[float]


class WhatIf(msgspec.Struct, frozen=True):
    """A change, and what it would have made.

    measured_yield_l  what was really drawn in the same hours, beside `as_it_is`, which is a run
    unknown_h         hours whose rain was not measured; both runs take them as dry
    """

    site: str
    changes: list[str]
    months: list[str]
    measured_yield_l: float
    as_it_is: Outcome
    changed: Outcome
    unknown_h: int
