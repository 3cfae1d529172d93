"""Commissioning as the API and `ullage commission --json` give it."""

from __future__ import annotations

from pydantic import BaseModel, Field

from api.commissioning.checks import Check, Verdict
from api.commissioning.hand import Comparison
from api.commissioning.reading import Commissioning
from api.schemas import Time
from api.speech import Speaker
from ingest.instants import to_rfc3339


class ByHandOut(BaseModel):
    """A measurement by hand beside the sensor."""

    time: Time = Field(description="When it was measured by hand.")
    who: str = Field(description="By whom.", examples=["warden"])
    unit: str = Field(description="Unit of the three figures.", examples=["m"])
    hand: float = Field(description="Measured by hand, in `unit`.", examples=[1.31])
    sensor: float | None = Field(
        description="What the sensor said then, in `unit`; null: nothing usable.", examples=[1.3]
    )
    apart: float = Field(description="How far apart they may be, in `unit`.", examples=[0.02])
    agrees: bool = Field(description="Whether they are no further apart than that.", examples=[True])


class SensorCheckOut(BaseModel):
    """One sensor on the day of commissioning."""

    sensor: str = Field(description="`DEVICE/NAME` as in the site file.", examples=["post-1/level"])
    measures: str = Field(description="What it measures.", examples=["tank.main.level"])
    verdict: Verdict = Field(
        description="`silent`: nothing comes; `look`: something is wrong; `compare`: well heard, not yet held against "
        "a measurement by hand; `ready`.",
        examples=["ready"],
    )
    says: list[str] = Field(description="What was found and what to do, as sentences.")
    value: float | None = Field(
        description="Newest value, believed or not, in `unit`; null: nothing in the last day.", examples=[1.31]
    )
    unit: str = Field(description="Unit of `value`.", examples=["m"])
    time: Time | None = Field(description="When it was measured; null: nothing in the last day.")
    by_hand: ByHandOut | None = Field(description="Newest measurement by hand; null: none yet.")


class RefusedOut(BaseModel):
    """A message of this site that was refused."""

    time: Time = Field(description="When it came.")
    topic: str = Field(description="By which topic.", examples=["ullage/skerrow-head/post-1/senml"])
    reason: str = Field(description="Why it was refused, and what to send.")


class CommissioningOut(BaseModel):
    """Whether every sensor of a site is heard, believed and held against a measurement by hand."""

    site: str = Field(description="Id of the site.", examples=["skerrow-head"])
    time: Time = Field(description="As of when.")
    ready: bool = Field(description="Whether every sensor is ready.", examples=[False])
    sensors: list[SensorCheckOut] = Field(description="In the order of the site file.")
    refused: list[RefusedOut] = Field(description="Of the last day, one a topic and reason, newest first.")


def commissioning_out(found: Commissioning, speaker: Speaker) -> CommissioningOut:
    return CommissioningOut(
        site=found.site.id,
        time=to_rfc3339(found.now_ms),
        ready=found.ready,
        sensors=[_sensor(one, speaker) for one in found.checks],
        refused=[RefusedOut(time=to_rfc3339(one.time_ms), topic=one.topic, reason=one.reason) for one in found.refused],
    )


def _sensor(found: Check, speaker: Speaker) -> SensorCheckOut:
    return SensorCheckOut(
        sensor=found.sensor.id,
        measures=found.sensor.measures,
        verdict=found.verdict,
        says=[speaker.say(sentence) for sentence in found.said],
        value=None if found.newest is None else found.newest.value,
        unit=found.sensor.quantity.unit,
        time=None if found.newest is None else to_rfc3339(found.newest.time_ms),
        by_hand=None if found.by_hand is None else _by_hand(found.by_hand),
    )


def _by_hand(found: Comparison) -> ByHandOut:
    return ByHandOut(
        time=to_rfc3339(found.time_ms),
        who=found.who,
        unit=found.unit,
        hand=found.hand,
        sensor=found.sensor,
        apart=found.apart,
        agrees=found.agrees,
    )
