"""The forecast document as it travels: the same figures as `forecast.result`, instants as RFC 3339."""

from __future__ import annotations

import msgspec
from pydantic import BaseModel, Field

from api.current import CurrentForecast
from api.sayings import SayingOut, saying_out
from api.schemas import Time
from api.speech import Speaker
from forecast.result import Input
from ingest.instants import SECOND_MS, to_rfc3339


class BandsOut(BaseModel):
    """The 5, 25, 50, 75 and 95 % points of the ensemble. One entry an hour, or a day where it says so."""

    p05: list[float] = Field(description="One member in twenty is below. [that of the whole]")
    p25: list[float] = Field(description="A quarter of the members is below. [that of the whole]")
    p50: list[float] = Field(description="Half of the members is below. [that of the whole]")
    p75: list[float] = Field(description="A quarter of the members is above. [that of the whole]")
    p95: list[float] = Field(description="One member in twenty is above. [that of the whole]")


class PassageOut(BaseModel):
    """When something happens for the first time. Days count from `issued`."""

    by_day: list[float] = Field(description="Entry d: probability that it has happened d + 1 days after the issue. [1]")
    within: float = Field(description="Probability that it happens within the horizon. [1]", examples=[0.7])
    p05: float | None = Field(description="5 % point; null: not within the horizon. [d]", examples=[8.4])
    p25: float | None = Field(description="25 % point; null: not within the horizon. [d]", examples=[10.1])
    p50: float | None = Field(description="Median; null: more than half do not see it. [d]", examples=[12.0])
    p75: float | None = Field(description="75 % point; null: not within the horizon. [d]", examples=[14.9])
    p95: float | None = Field(description="95 % point; null: not within the horizon. [d]", examples=[None])


class TankForecastOut(BaseModel):
    """One tank ahead."""

    tank: str = Field(description="Id of the tank.", examples=["main"])
    start_level_m: float = Field(description="Level at the issue. [m]", examples=[1.06])
    start_volume_l: float = Field(description="Volume at the issue. [L]", examples=[2131.0])
    start_sd_l: float = Field(description="Standard deviation of that volume. [L]", examples=[8.0])
    dead_l: float = Field(description="Dead storage: below the outlet, out of reach. [L]", examples=[241.3])
    capacity_l: float = Field(description="Volume at the brim. [L]", examples=[3619.1])
    level_m: BandsOut = Field(description="Level above the floor, by hour. [m]")
    volume_l: BandsOut = Field(description="Volume, by hour. [L]")
    runs_out: PassageOut = Field(description="First time down to dead storage.")
    overflows: PassageOut = Field(description="First litre over the brim.")
    spill_l: BandsOut = Field(description="Litres over the brim within the horizon. [L]")
    spill_peak_l_min: float = Field(description="Largest hourly mean spill; the momentary peak is higher. [L/min]")


class BatteryForecastOut(BaseModel):
    """The battery ahead."""

    start_soc: float = Field(description="State of charge at the issue, as a share of capacity. [1]", examples=[0.8])
    soc: BandsOut = Field(description="State of charge, by hour. [1]")
    cutoff: PassageOut = Field(description="First time down to the voltage at which the pump is cut off.")


class AllowanceOut(BaseModel):
    """The most that may be drawn a day."""

    allowance_l_day: float = Field(description="Litres a day, from all draws together. [L/d]", examples=[95.0])
    days: int = Field(description="For so many days. [d]", examples=[14])
    chance: float = Field(description="Probability of running out at that draw. [1]", examples=[0.04])
    risk: float = Field(description="The probability that must not be passed. [1]", examples=[0.05])


class FreeWaterOut(BaseModel):
    """Water that will spill anyway and may be used now at no loss."""

    free_l: float = Field(description="Litres; 0: too unsure. [L]", examples=[350.0])
    days: int = Field(description="Within so many days. [d]", examples=[7])
    chance: float = Field(description="Probability that at least so much of it spills. [1]", examples=[0.9])


class ChangeoverOut(BaseModel):
    """When the backup supply should be open, and may be closed. Days count from `issued`."""

    open_by_d: float | None = Field(description="Open by this day; null: no need in sight. [d]", examples=[8.5])
    open_chance: float = Field(description="Probability that rain water has run out by then. [1]", examples=[0.1])
    close_after_d: int | None = Field(description="May be closed; 0: now; null: not yet. [d]", examples=[3])
    close_chance: float = Field(description="Probability that it then runs out within a week. [1]", examples=[0.08])


class TakeoverOut(BaseModel):
    """When a backup that works by itself will open, and what it will give within the horizon."""

    opens: PassageOut = Field(description="The first time that it opens.")
    backup_l: BandsOut = Field(description="Litres that it gives within the horizon, one entry. [L]")


class DecisionsOut(BaseModel):
    """What the forecast means for those who draw. People decide and people turn the valves."""

    allowance: AllowanceOut | None = Field(description="null: nobody wants water in these days.")
    free_water: FreeWaterOut = Field(description="What may be used now at no loss.")
    changeover: ChangeoverOut | None = Field(description="null: the site has no backup that is opened by hand.")
    takeover: TakeoverOut | None = Field(None, description="null: the site has no backup that works by itself.")


class InputOut(BaseModel):
    """Something the forecast was made from."""

    name: str = Field(description="What it is.", examples=["level main"])
    source: str = Field(description="Where it came from, in words.", examples=["post-1/level"])
    time: Time | None = Field(description="Its time; null: it has none.")
    age_s: float | None = Field(description="How old it was at the issue; null: it has no time. [s]", examples=[60.0])
    stale: bool = Field(description="Too old to be trusted when the forecast was made.")
    missing: bool = Field(description="Not there at all.")


class ForecastOut(BaseModel):
    """One issued forecast for one site."""

    site: str = Field(description="Id of the site.", examples=["skerrow-head"])
    issued: Time = Field(description="When it was made.")
    start: Time = Field(description="First hour of the bands; entry h ends h + 1 hours later.")
    stale: bool = Field(description="Issued too long ago, or made from stale inputs.")
    stale_because: list[str] = Field(description="Why it is stale; empty: it is fresh.")
    horizon_h: int = Field(description="How far it looks ahead. [h]", examples=[384])
    members: int = Field(description="Members of the ensemble.", examples=[50])
    inputs: list[InputOut] = Field(description="What it was made from.")
    tanks: list[TankForecastOut] = Field(description="Each tank.")
    runs_out: PassageOut = Field(description="The first draw that its tank cannot feed any more (rain water only).")
    overflows: PassageOut = Field(description="The first litre that leaves the site over a brim.")
    rain_mm: BandsOut = Field(description="Rain of each coming day. [mm]")
    demand_l_day: float = Field(
        description="Mean litres a day wanted over the first seven days. [L/d]", examples=[70.0]
    )
    battery: BatteryForecastOut | None = Field(description="The battery; null: the site has none.")
    decisions: DecisionsOut | None = Field(None, description="Advice; null: the forecast was made without.")
    reasons: list[str] = Field(description="The main reasons, as sentences.")
    unknown: list[str] = Field(description="What the forecast does not know, as sentences.")
    reasons_said: list[SayingOut] = Field(description="The reasons with their figures apart, for other languages.")
    unknown_said: list[SayingOut] = Field(description="What it does not know, likewise.")


def forecast_out(current: CurrentForecast, speaker: Speaker) -> ForecastOut:
    """The document with its age, instants as RFC 3339, and its sentences in English."""
    forecast = current.forecast
    document = msgspec.to_builtins(forecast)
    document |= {
        "issued": to_rfc3339(forecast.issued_ms),
        "start": to_rfc3339(forecast.start_ms),
        "stale": current.stale,
        "stale_because": [speaker.say(doubt) for doubt in current.doubts],
        "inputs": [_input(entry, forecast.issued_ms, speaker) for entry in forecast.inputs],
        "reasons": [speaker.say(sentence) for sentence in forecast.reasons],
        "unknown": [speaker.say(sentence) for sentence in forecast.unknown],
        "reasons_said": [saying_out(sentence) for sentence in forecast.reasons],
        "unknown_said": [saying_out(sentence) for sentence in forecast.unknown],
    }
    return ForecastOut.model_validate(document)


def _input(entry: Input, issued_ms: int, speaker: Speaker) -> InputOut:
    return InputOut(
        name=speaker.say(entry.name),
        source=speaker.say(entry.source),
        time=None if entry.time_ms is None else to_rfc3339(entry.time_ms),
        age_s=None if entry.time_ms is None else (issued_ms - entry.time_ms) / SECOND_MS,
        stale=entry.stale,
        missing=entry.missing,
    )
