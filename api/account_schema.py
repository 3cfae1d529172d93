"""The account as it travels: the figures of `forecast.account.result`, instants as RFC 3339."""

from __future__ import annotations

from math import isnan
from typing import Any

import msgspec
from pydantic import BaseModel, Field

from api.sayings import SayingOut, saying_out
from api.schemas import Time
from forecast.account.result import Account, Named, Period, WhatIf
from ingest.instants import to_rfc3339


class FlowsOut(BaseModel):
    """Where the water of the wholly measured hours went; null: no hour was. [L]"""

    rain_l: float | None = Field(description="Fell on the roofs. [L]", examples=[7900.0])
    roof_loss_l: float | None = Field(description="Wetted the roofs, splashed or seeped away. [L]", examples=[1500.0])
    gutter_loss_l: float | None = Field(description="Over the gutters' sides. [L]", examples=[0.0])
    first_flush_l: float | None = Field(description="Into the first flush. [L]", examples=[600.0])
    inflow_l: float | None = Field(description="Into the tanks. [L]", examples=[5800.0])
    yield_l: float | None = Field(description="Rain water that was drawn. [L]", examples=[3700.0])
    spilled_l: float | None = Field(description="Off the site over the last brim. [L]", examples=[1900.0])
    lost_l: float | None = Field(description="Leaked, or passed no meter. [L]", examples=[0.0])
    evaporated_l: float | None = Field(description="From tanks without a roof. [L]", examples=[0.0])
    stored_l: float | None = Field(description="More in the tanks at the end than at the start. [L]", examples=[180.0])
    closure_l: float | None = Field(
        description="How far meters and levels disagree; null: no meter at the inlet. [L]", examples=[20.0]
    )


class PartOut(BaseModel):
    """The part of one cause in the shortfall."""

    cause: str = Field(description="Which cause, in the water's way.", examples=["coefficient"])
    litres: float | None = Field(description="Its part; below zero it made up for others. [L]", examples=[310.0])
    sd: float | None = Field(description="Standard deviation. [L]", examples=[60.0])


class NamedOut(BaseModel):
    """A cause that stands out of its own error, largest first."""

    cause: str = Field(description="Which cause.", examples=["leak"])
    litres: float = Field(description="Of the shortfall; of an instrument, what it would move. [L]", examples=[900.0])
    share: float = Field(description="Of the designed yield. [1]", examples=[0.05])
    why: SayingOut = Field(description="Why, as a sentence.")
    alike: list[str] = Field(description="What would look the same in these data.", examples=[["meter"]])
    tell_apart: SayingOut | None = Field(description="What would tell them apart; null: nothing else looks so.")


class PeriodOut(BaseModel):
    """A month, a season, or the whole. What is compared is of the same hours; null: no hour tells it."""

    name: str = Field(description="Month as year-month; of a season its first; or `all`.", examples=["2026-03"])
    start: Time = Field(description="Start.")
    end: Time = Field(description="End, not included.")
    hours: int = Field(description="Hours of it. [h]", examples=[744])
    drawn_h: int = Field(description="Hours that tell what was drawn. [h]", examples=[744])
    rain_h: int = Field(description="Hours in which the rain was measured. [h]", examples=[744])
    told_h: int = Field(description="Hours in which everything was measured. [h]", examples=[743])
    rain_mm: float | None = Field(description="Rain that was measured. [mm]", examples=[41.2])
    design_rain_mm: float | None = Field(description="The design's rain, in the same hours. [mm]", examples=[51.0])
    designed_yield_l: float | None = Field(
        description="Drawn by the design, in hours that tell the draw. [L]", examples=[4100.0]
    )
    untold_yield_l: float = Field(description="Drawn by the design in the other hours. [L]", examples=[0.0])
    actual_yield_l: float | None = Field(description="Rain water drawn, in hours that tell it. [L]", examples=[3700.0])
    yield_sd_l: float | None = Field(description="Standard deviation of that. [L]", examples=[74.0])
    inflow_sd_l: float | None = Field(description="Standard deviation of the inflow. [L]", examples=[150.0])
    spilled_sd_l: float | None = Field(description="Standard deviation of what ran over. [L]", examples=[90.0])
    shortfall_l: float | None = Field(
        description="Designed less actual yield; the parts add up to it. [L]", examples=[400.0]
    )
    designed: FlowsOut = Field(description="The design's water, in the wholly measured hours.")
    actual: FlowsOut = Field(description="The water as measured, in the same hours.")
    parts: list[PartOut] = Field(description="The shortfall by cause.")
    named: list[NamedOut] = Field(description="Causes that stand out, largest first.")


class RoofLearnedOut(BaseModel):
    """Roofs as found, beside the site file's figures."""

    roofs: str = Field(description="Id of the roof, or of several that share a tank without meters.", examples=["hut"])
    metered: bool = Field(description="Whether a meter of its own tells it.")
    events: int = Field(description="Spells of rain it was told from.", examples=[120])
    coefficient: float = Field(description="Runoff coefficient. [1]", examples=[0.81])
    coefficient_sd: float = Field(description="Its standard deviation. [1]", examples=[0.02])
    loss_mm: float = Field(description="Wetting loss. [mm]", examples=[0.5])
    loss_sd_mm: float = Field(description="Its standard deviation. [mm]", examples=[0.1])
    file_coefficient: float = Field(description="The site file's coefficient. [1]", examples=[0.85])
    file_loss_mm: float = Field(description="The site file's loss. [mm]", examples=[0.4])
    trend_year: float | None = Field(description="Change a year, as a share; null: not told. [1]", examples=[-0.04])
    trend_sd: float | None = Field(description="Its standard deviation. [1]", examples=[0.02])


class TankLearnedOut(BaseModel):
    """A tank as found. null: it cannot be told."""

    tank: str = Field(description="Id of the tank, or of joined tanks.", examples=["main"])
    leak_l_h: float | None = Field(description="Lost by the hour. [L/h]", examples=[0.1])
    leak_sd_l_h: float | None = Field(description="Standard deviation. [L/h]", examples=[0.1])
    meter_gain: float | None = Field(description="Litres the level fell for each metered one. [1]", examples=[1.01])
    meter_gain_sd: float | None = Field(description="Standard deviation. [1]", examples=[0.01])
    sensor_error_m: float | None = Field(description="What the level sensor shows too much. [m]", examples=[0.0])
    sensor_change_m: float | None = Field(description="Change of that within the account. [m]", examples=[0.0])


class AccountOut(BaseModel):
    """What the design promised, what came, and why."""

    site: str = Field(description="Id of the site.", examples=["skerrow-head"])
    asked_start: Time = Field(description="From when on it was asked for.")
    start: Time = Field(description="Start: when something was first measured.")
    end: Time = Field(description="End, not included.")
    whole: PeriodOut = Field(description="All of it.")
    months: list[PeriodOut] = Field(description="By local month.")
    seasons: list[PeriodOut] = Field(description="By three months.")
    roofs: list[RoofLearnedOut] = Field(description="What was learnt of the roofs.")
    tanks: list[TankLearnedOut] = Field(description="What was learnt of the tanks.")
    basis: list[SayingOut] = Field(description="Which rain was promised, beside that of a design check.")
    notes: list[SayingOut] = Field(description="What the account could not see.")
    cautions: list[SayingOut] = Field(description="For whoever relies on it.")


class OutcomeOut(BaseModel):
    """What a run of the measured months gave."""

    yield_l: float = Field(description="Rain water drawn. [L]", examples=[40600.0])
    spilled_l: float = Field(description="Off the site. [L]", examples=[16900.0])
    unmet_l: float = Field(description="Wanted in vain. [L]", examples=[1200.0])
    short_days: int = Field(description="Days with any of that. [d]", examples=[33])
    yield_by_month_l: list[float] = Field(description="Drawn, by month. [L]")


class WhatIfOut(BaseModel):
    """The measured months with something changed."""

    site: str = Field(description="Id of the site.", examples=["skerrow-head"])
    changes: list[str] = Field(description="What was changed.", examples=[["tank.main.overflow_height_m=2.4"]])
    months: list[str] = Field(description="The months, year-month.", examples=[["2026-03"]])
    measured_yield_l: float = Field(description="What was really drawn. [L]", examples=[40900.0])
    as_it_is: OutcomeOut = Field(description="The run of the site as it is: compare it with what was drawn.")
    changed: OutcomeOut = Field(description="The run with the change.")
    unknown_h: int = Field(description="Hours without rain measured, taken as dry. [h]", examples=[0])


def account_out(found: Account) -> AccountOut:
    """The account, with instants and sentences as they travel."""
    return AccountOut(
        site=found.site,
        asked_start=to_rfc3339(found.asked_ms),
        start=to_rfc3339(found.start_ms),
        end=to_rfc3339(found.end_ms),
        whole=_period(found.whole),
        months=[_period(month) for month in found.months],
        seasons=[_period(season) for season in found.seasons],
        roofs=[RoofLearnedOut(**msgspec.structs.asdict(roof)) for roof in found.roofs],
        tanks=[TankLearnedOut(**msgspec.structs.asdict(tank)) for tank in found.tanks],
        basis=[saying_out(one) for one in found.basis],
        notes=[saying_out(note) for note in found.notes],
        cautions=[saying_out(caution) for caution in found.cautions],
    )


def what_if_out(found: WhatIf) -> WhatIfOut:
    """What a change would have made."""
    return WhatIfOut.model_validate(msgspec.to_builtins(found))


def _period(period: Period) -> PeriodOut:
    fields = _nulled(msgspec.to_builtins(period))
    start, end = to_rfc3339(fields.pop("start_ms")), to_rfc3339(fields.pop("end_ms"))
    return PeriodOut(**fields | {"start": start, "end": end, "named": [_named(cause) for cause in period.named]})


def _nulled(value: Any) -> Any:
    """The same with None for NaN, which JSON has not."""
    if isinstance(value, dict):
        return {key: _nulled(one) for key, one in value.items()}
    if isinstance(value, list):
        return [_nulled(one) for one in value]
    return None if isinstance(value, float) and isnan(value) else value


def _named(cause: Named) -> NamedOut:
    return NamedOut(
        cause=cause.cause,
        litres=cause.litres,
        share=cause.share,
        why=saying_out(cause.why),
        alike=cause.alike,
        tell_apart=None if cause.tell_apart is None else saying_out(cause.tell_apart),
    )
