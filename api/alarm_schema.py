"""What travels over /api/v1 about alarms, field by field."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

from api.schemas import Instant, Time

AlarmState = Literal["normal", "unacknowledged", "acknowledged", "returned"]
MuteKind = Literal["shelved", "out-of-service", "by-design", "folded"]

_Text = Annotated[str, StringConstraints(strip_whitespace=True, pattern=r"^[^\x00]*$"), Field(max_length=2_000)]
_STATE = (
    "normal; unacknowledged: it is so, and nobody said that they know; acknowledged: it is so, and somebody knows; "
    "returned: it is over, and nobody said that they knew."
)


class MuteOut(BaseModel):
    """Why nobody is told of an alarm now. It is recorded all the same."""

    kind: MuteKind = Field(description="How it is muted.", examples=["shelved"])
    who: str = Field(description="By whom; empty: by the service itself.", examples=["warden"])
    why: str = Field(description="Why.", examples=["The sensor is being cleaned."])
    until: Time | None = Field(description="Until when; null: until somebody ends it.")
    under: str = Field(description="folded: the alarm that is its cause; else empty.", examples=[""])


class NoteOut(BaseModel):
    """What was last written down about an alarm."""

    time: Time = Field(description="When.")
    who: str = Field(description="By whom.", examples=["warden"])
    note: str = Field(description="What.", examples=["Ordered a new float."])


class AlarmOut(BaseModel):
    """One alarm that can be raised here, and how it stands."""

    alarm: str = Field(description="Which: TYPE or TYPE:PART.", examples=["tank-low:main"])
    title: str = Field(description="What it says, in words.", examples=["Tank main is low"])
    state: AlarmState = Field(description=_STATE, examples=["unacknowledged"])
    active: bool = Field(description="Its condition holds now.", examples=[True])
    since: Time | None = Field(description="Since when it is in this state; null: it never was in another.")
    raised: Time | None = Field(description="When it was last raised; null: never.")
    reason: str | None = Field(description="The sentence of its last change; null: there was none.")
    who: str = Field(description="Who brought its last change about; empty: the service itself.", examples=["warden"])
    mute: MuteOut | None = Field(description="Why nobody is told now; null: all are.")
    chattering: bool = Field(description="Raised three times or more within a day.", examples=[False])
    note: NoteOut | None = Field(description="What was last written down about it; null: nothing.")
    priority: Literal["high", "medium", "low"] = Field(description="How urgent it is.", examples=["medium"])
    cause: str = Field(description="What may have caused it.", examples=["More drawn than rained, or a leak."])
    consequence: str = Field(description="What happens if nobody acts.", examples=["The taps run dry."])
    action: str = Field(description="What to do.", examples=["Draw less. Look for a leak."])
    respond_within_h: float = Field(description="Time there is to respond. [h]", examples=[24.0])


class AlarmList(BaseModel):
    """The alarms of a site, or of the installation."""

    alarms: list[AlarmOut] = Field(description="Every alarm that can be raised, the most urgent first.")


class EvidenceOut(BaseModel):
    """One reading behind a change of state."""

    sensor: str = Field(description="Which sensor, or `forecast/` and what it foretells.", examples=["post-1/level"])
    time: Time = Field(description="When it was measured.")
    value: float = Field(
        description="The value. [the sensor's own unit; 1 for a chance that a forecast foretells]", examples=[0.31]
    )


class TransitionOut(BaseModel):
    """An alarm changed its state, or was announced again."""

    id: int = Field(description="Rising number. [1]", examples=[17])
    alarm: str = Field(description="Which alarm.", examples=["tank-low:main"])
    time: Time = Field(description="When it was decided.")
    old: str = Field(description="State before.", examples=["normal"])
    new: str = Field(description="State after.", examples=["unacknowledged"])
    reason: str = Field(description="Why, with the figures behind it.", examples=["95 L can be drawn from tank main."])
    who: str = Field(description="Who did it; empty: the service itself.", examples=[""])
    evidence: list[EvidenceOut] = Field(description="The readings behind it.")
    muted: str = Field(description="Why nobody was told; empty: all were.", examples=[""])


class TransitionList(BaseModel):
    """Changes of state, newest first."""

    transitions: list[TransitionOut] = Field(description="The changes.")
    next: str | None = Field(description="Give it as `cursor` for the older ones; null: this is all.")


class ActionOut(BaseModel):
    """What somebody decided about an alarm."""

    id: int = Field(description="Rising number. [1]", examples=[5])
    alarm: str = Field(description="Which alarm.", examples=["tank-low:main"])
    time: Time = Field(description="When.")
    kind: str = Field(description="What was decided.", examples=["shelve"])
    who: str = Field(description="By whom.", examples=["warden"])
    why: str = Field(description="Why.", examples=["The sensor is being cleaned."])
    until: Time | None = Field(description="shelve: until when; else null.")
    months: list[int] = Field(description="suppress: in which local months of a year, 1 to 12. [1]", examples=[[]])


class ActionList(BaseModel):
    """What people decided, newest first; acknowledgements stand among the transitions."""

    actions: list[ActionOut] = Field(description="The decisions.")
    next: str | None = Field(description="Give it as `cursor` for the older ones; null: this is all.")


class _Action(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)


class Acknowledge(_Action):
    """I know, and see to it."""

    kind: Literal["acknowledge"] = Field(description="Always `acknowledge`.", examples=["acknowledge"])
    why: _Text = Field("", description="Anything that the others should know.", examples=["On my way."])


class Shelve(_Action):
    """Tell nobody for a while."""

    kind: Literal["shelve"] = Field(description="Always `shelve`.", examples=["shelve"])
    until: Instant = Field(description="Until when: from 5 minutes to 7 days ahead.")
    why: _Text = Field(min_length=1, description="Why.", examples=["The sensor is being cleaned."])


class Suppress(_Action):
    """Tell nobody in these months of every year."""

    kind: Literal["suppress"] = Field(description="Always `suppress`.", examples=["suppress"])
    months: list[Annotated[int, Field(ge=1, le=12)]] = Field(
        min_length=1, max_length=12, description="Local months, 1 to 12. [1]", examples=[[11, 12, 1, 2]]
    )
    why: _Text = Field(min_length=1, description="Why.", examples=["The observatory is shut in winter."])


class Decide(_Action):
    """Everything else that takes a reason and no more."""

    kind: Literal["unshelve", "take-out-of-service", "return-to-service", "unsuppress", "annotate"] = Field(
        description="What is decided.", examples=["annotate"]
    )
    why: _Text = Field(min_length=1, description="Why; annotate: the note.", examples=["Ordered a new float."])


ActionIn = Annotated[Acknowledge | Shelve | Suppress | Decide, Field(discriminator="kind")]
