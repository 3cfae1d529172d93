"""A site's track record as it travels."""

from __future__ import annotations

from pydantic import BaseModel, Field

from api.schemas import Time
from forecast.score import Tenth
from forecast.track import TrackRecord
from ingest.instants import to_rfc3339


class RatiosOut(BaseModel):
    """Our mean score over that of a reference forecast of the same issue; below 1 ours is better, null: no case."""

    unchanged: float | None = Field(description="The level stays as it is; nothing happens. [1]", examples=[0.41])
    no_rain: float | None = Field(description="The water over its expected use, without rain. [1]", examples=[0.55])
    mean_rain: float | None = Field(description="The balance with the season's mean rain. [1]", examples=[0.48])


class LevelRecordOut(BaseModel):
    """How well the volume of the tanks was foretold at one lead."""

    lead_d: int = Field(description="Days after the issue. [d]", examples=[3])
    cases: int = Field(description="Tanks and forecasts judged; those of neighbouring days are alike.", examples=[120])
    held_50: float = Field(description="Share of the cases within the 25 to 75 % band. [1]", examples=[0.51])
    held_90: float = Field(description="Share within the 5 to 95 % band. [1]", examples=[0.91])
    crps_l: float = Field(description="Mean CRPS of the volume, from five quantiles. [L]", examples=[61.0])
    ratio: RatiosOut = Field(description="That score over the references'.")


class EventRecordOut(BaseModel):
    """How well chances of one thing by one day were given."""

    what: str = Field(description="`runs out` or `overflows`.", examples=["runs out"])
    lead_d: int = Field(description="Within so many days of the issue. [d]", examples=[3])
    cases: int = Field(description="Forecasts judged at whose issue it was not so already.", examples=[120])
    happened: int = Field(description="How many times it came.", examples=[4])
    brier: float = Field(description="Mean squared distance of the chance from what came. [1]", examples=[0.03])
    ratio: RatiosOut = Field(description="That score over the references'.")


class UntilRecordOut(BaseModel):
    """How well the days until one thing were foretold, as far as the horizon."""

    what: str = Field(description="`runs out` or `overflows`.", examples=["runs out"])
    cases: int = Field(description="Forecasts judged.", examples=[60])
    happened: int = Field(description="How many saw it within the horizon.", examples=[9])
    crps_d: float = Field(description="Mean CRPS of the days, later ones counted as the horizon. [d]", examples=[1.4])
    ratio: RatiosOut = Field(description="That score over the references'.")


class TenthOut(BaseModel):
    """Chances of one tenth beside how often they came true, all leads together."""

    low: float = Field(description="From this chance. [1]", examples=[0.2])
    high: float = Field(description="To this chance. [1]", examples=[0.3])
    cases: int = Field(description="How many were given.", examples=[31])
    said: float = Field(description="Their mean. [1]", examples=[0.24])
    came: float = Field(description="Share of them that came true. [1]", examples=[0.26])


class ReliabilityOut(BaseModel):
    """Whether chances mean what they say."""

    runs_out: list[TenthOut] = Field(description="Of running out; tenths without a case are absent.")
    overflows: list[TenthOut] = Field(description="Of running over.")


class TrackRecordOut(BaseModel):
    """How good the forecasts of a site were, of those issued in a stretch of time: one each six hours is judged."""

    site: str = Field(description="Id of the site.", examples=["skerrow-head"])
    start: Time = Field(description="Forecasts issued from this instant on,")
    end: Time = Field(description="up to, not including, this one.")
    scored: int = Field(description="Judgements that count: forecasts and leads.", examples=[480])
    waiting: int = Field(description="Judgements whose day has not come yet.", examples=[61])
    no_truth: int = Field(description="Left out: the level that came was not heard.", examples=[5])
    disturbed: int = Field(description="Left out: the log has water let in or out by hand meanwhile.", examples=[0])
    unreadable: int = Field(description="Left out: of another version of the service.", examples=[0])
    levels: list[LevelRecordOut] = Field(description="Volume, by lead.")
    events: list[EventRecordOut] = Field(description="Chances, by thing and lead.")
    until: list[UntilRecordOut] = Field(description="Days until, by thing.")
    reliability: ReliabilityOut = Field(description="Chances by tenths.")
    sentences: list[str] = Field(description="The same in words, with what is too little to say.")


def track_out(site: str, record: TrackRecord, sentences: list[str]) -> TrackRecordOut:
    """The record with instants as RFC 3339."""
    return TrackRecordOut(
        site=site,
        start=to_rfc3339(record.start_ms),
        end=to_rfc3339(record.end_ms),
        scored=record.scored,
        waiting=record.waiting,
        no_truth=record.no_truth,
        disturbed=record.disturbed,
        unreadable=record.unreadable,
        levels=[LevelRecordOut(**(level._asdict() | {"ratio": _ratios(level.ratio)})) for level in record.levels],
        events=[EventRecordOut(**(event._asdict() | {"ratio": _ratios(event.ratio)})) for event in record.events],
        until=[UntilRecordOut(**(score._asdict() | {"ratio": _ratios(score.ratio)})) for score in record.until],
        reliability=ReliabilityOut(
            **{
                what.replace(" ", "_"): [_tenth(tenth) for tenth in tenths]
                for what, tenths in record.reliability.items()
            }
        ),
        sentences=sentences,
    )


def _ratios(ratio: dict[str, float | None]) -> RatiosOut:
    return RatiosOut(**{way.replace(" ", "_"): value for way, value in ratio.items()})


def _tenth(tenth: Tenth) -> TenthOut:
    return TenthOut(**tenth._asdict())
