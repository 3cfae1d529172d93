"""What travels over /api/v1, field by field. Instants are RFC 3339 in UTC; units stand in names or beside values."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints

from ingest.instants import from_rfc3339


def _instant(text: str) -> str:
    try:
        from_rfc3339(text)
    except ValueError:
        raise ValueError("a time in RFC 3339, such as 2026-03-01T12:00:00Z") from None
    return text


#: An instant as it is sent to us. Text only: a bare number would be guessed to be some epoch's.
Instant = Annotated[str, Field(max_length=40, examples=["2026-03-01T12:00:00Z"]), AfterValidator(_instant)]
#: An instant as we send it: RFC 3339, UTC.
Time = Annotated[str, Field(examples=["2026-03-01T12:00:00Z"])]


class TankDescription(BaseModel):
    """A tank as the site file describes it."""

    id: str = Field(description="Id of the tank within the site.", examples=["main"])
    shape: str = Field(description="Shape, as in the site file.", examples=["vertical_cylinder"])
    outlet_height_m: float = Field(description="Outlet above the tank floor. [m]", examples=[0.12])
    overflow_height_m: float = Field(description="Brim above the tank floor. [m]", examples=[1.8])
    dead_l: float = Field(description="Dead storage: water below the outlet, out of reach. [L]", examples=[241.3])
    capacity_l: float = Field(description="Water at the brim, dead storage included. [L]", examples=[3619.1])
    low_l: float | None = Field(description="Usable water below which an alarm is due; null: none set. [L]")
    overflow_to: str | None = Field(description="Tank that takes the overflow; null: it leaves the site.")


class SensorDescription(BaseModel):
    """A sensor as the site file describes it."""

    id: str = Field(description="Id: device/name.", examples=["post-1/level"])
    measures: str = Field(description="What it measures.", examples=["tank.main.level"])
    meaning: str = Field(description="What that is, in words.", examples=["water level above the tank floor"])
    unit: str = Field(description="Unit of its values in this API.", examples=["m"])
    counter: bool = Field(description="A running total: only its increase means anything.")
    every_s: float = Field(description="How often it should be heard. [s]", examples=[300.0])


class SiteSummary(BaseModel):
    """A site in a list."""

    id: str = Field(description="Id of the site.", examples=["skerrow-head"])
    name: str = Field(description="Its name.", examples=["Skerrow Head bird observatory"])
    timezone: str = Field(description="Time zone for showing times.", examples=["Europe/London"])
    alarms_active: int = Field(description="How many alarms are active now.", examples=[0])


class SiteList(BaseModel):
    """Every site this service knows."""

    sites: list[SiteSummary] = Field(description="The sites.")


class SiteDescription(SiteSummary):
    """One site: its tanks, draws and sensors."""

    latitude: float = Field(description="Latitude, north positive. [°]", examples=[57.6])
    longitude: float = Field(description="Longitude, east positive. [°]", examples=[-3.9])
    tanks: list[TankDescription] = Field(description="The tanks, in the order in which water passes them.")
    draws: list[str] = Field(description="Ids of the draws.", examples=[["taps", "irrigation"]])
    backup: str | None = Field(description="Id of the backup supply; null: there is none.", examples=["borehole"])
    sensors: list[SensorDescription] = Field(description="The sensors.")


class Disbelieved(BaseModel):
    """A newer value of a sensor that is kept and not used."""

    time: Time = Field(description="When it was measured.")
    value: float = Field(description="The value. [the `unit` beside it]", examples=[9.99])
    why: list[str] = Field(description="Why it is not believed.", examples=[["deeper than its tank"]])


class LatestValue(BaseModel):
    """The newest usable value of one sensor, with its time."""

    sensor: str = Field(description="Id of the sensor.", examples=["post-1/level"])
    measures: str = Field(description="What it measures.", examples=["tank.main.level"])
    unit: str = Field(description="Unit of the value.", examples=["m"])
    value: float | None = Field(description="The value; null: never heard. Never zero for missing. [its `unit`]")
    time: Time | None = Field(description="When it was measured; null: never heard.")
    age_s: float | None = Field(description="How old it is now; null: never heard. [s]", examples=[42.0])
    stale: bool = Field(description="Too old to be trusted, or never heard.")
    flags: list[str] = Field(description="What is odd about it, in words.", examples=[[]])
    disbelieved: Disbelieved | None = Field(
        description="Newer values arrive and are not believed: the last of them; null: none did within a day."
    )


class LatestTank(BaseModel):
    """How much water is in a tank, from its newest level."""

    tank: str = Field(description="Id of the tank.", examples=["main"])
    level_m: float | None = Field(description="Level above the floor; null: not known. [m]", examples=[1.06])
    volume_l: float | None = Field(description="All the water in the tank; null: not known. [L]", examples=[2131.0])
    usable_l: float | None = Field(
        description="Water that can be drawn: the volume above dead storage; null: not known. [L]", examples=[1890.0]
    )
    share: float | None = Field(description="Volume as a share of that at the brim. [1]", examples=[0.59])
    time: Time | None = Field(description="When the level was measured; null: never.")
    age_s: float | None = Field(description="How old the level is; null: never heard. [s]", examples=[42.0])
    stale: bool = Field(description="The level is too old to be trusted, or was never heard.")


class Latest(BaseModel):
    """The present state of a site."""

    site: str = Field(description="Id of the site.", examples=["skerrow-head"])
    now: Time = Field(description="When this was put together; ages count from here.")
    tanks: list[LatestTank] = Field(description="Each tank.")
    values: list[LatestValue] = Field(description="Each sensor of the site file, heard or not.")


class ReadingOut(BaseModel):
    """One stored reading."""

    time: Time = Field(description="When it was measured.")
    value: float = Field(description="The value. [the `unit` beside the list]", examples=[1.06])
    flags: list[str] = Field(description="What is odd about it, in words.", examples=[[]])


class ReadingList(BaseModel):
    """Stored readings of one sensor, oldest first."""

    site: str = Field(description="Id of the site.", examples=["skerrow-head"])
    sensor: str = Field(description="Id of the sensor.", examples=["post-1/level"])
    unit: str = Field(description="Unit of the values.", examples=["m"])
    start: Time = Field(description="From this instant on.")
    end: Time = Field(description="Up to, not including, this instant.")
    readings: list[ReadingOut] = Field(description="The readings.")
    next: str | None = Field(description="Give it as `cursor` for the rest; null: this is all.")


class BucketOut(BaseModel):
    """The readings of one interval, as one figure."""

    start: Time = Field(description="Start of the interval.")
    value: float = Field(description="The figure. [the `unit` beside the list]", examples=[1.06])
    readings: int = Field(description="How many readings it is made of.", examples=[12])


class BucketList(BaseModel):
    """Aggregates of one sensor, oldest first. An interval without readings is absent, not zero."""

    site: str = Field(description="Id of the site.", examples=["skerrow-head"])
    sensor: str = Field(description="Id of the sensor.", examples=["post-1/level"])
    unit: str = Field(description="Unit of the values; `1` when they are counts.", examples=["m"])
    start: Time = Field(description="From this instant on.")
    end: Time = Field(description="Up to, not including, this instant.")
    every_s: float = Field(description="Length of an interval, aligned to 1970-01-01T00:00:00Z. [s]", examples=[3600.0])
    fn: str = Field(description="What the figure is.", examples=["mean"])
    intervals: list[BucketOut] = Field(description="The intervals that hold readings.")


LogKind = Literal[
    "first-flush-emptied", "backup-opened", "backup-closed", "tank-filled", "tank-drained", "upkeep", "measured", "note"
]
_Line = StringConstraints(strip_whitespace=True, pattern=r"^[^\x00-\x1f\x7f]*$")


class LogIn(BaseModel):
    """What somebody did on site."""

    model_config = ConfigDict(extra="forbid", strict=True)

    kind: LogKind = Field(description="What was done.", examples=["first-flush-emptied"])
    part: Annotated[str, _Line] = Field(
        "",
        max_length=100,
        description="On what: the id of the roof (first flush), backup, tank (filled, drained) or upkeep in its file, "
        "or of the sensor (measured).",
        examples=["bunkhouse"],
    )
    who: Annotated[str, _Line] = Field(
        "", max_length=80, description="By whom; empty: by whoever sends this.", examples=["warden"]
    )
    note: Annotated[str, StringConstraints(strip_whitespace=True, pattern=r"^[^\x00]*$")] = Field(
        "", max_length=2_000, description="Anything else worth knowing.", examples=["half full of leaves"]
    )
    time: Instant | None = Field(default=None, description="When it was done; absent: now. Not in the future.")
    value: Annotated[float, Field(allow_inf_nan=False)] | None = Field(
        default=None,
        description="What was measured by hand, in the unit of the sensor's quantity [m, V, °C, A, L, mm, 1]: of a "
        "flow or a rain gauge the amount that ran through in the hour before.",
        examples=[1.31],
    )


class LogOut(BaseModel):
    """One entry of the log of a site."""

    time: Time = Field(description="When it was done.")
    kind: str = Field(description="What was done.", examples=["first-flush-emptied"])
    part: str = Field(description="On what; empty: on nothing in particular.", examples=["bunkhouse"])
    who: str = Field(description="By whom.", examples=["warden"])
    note: str = Field(description="Anything else worth knowing.")
    value: float | None = Field(
        description="What was measured by hand, in the unit of the sensor's quantity [m, V, °C, A, L, mm, 1]; "
        "null: nothing was.",
        examples=[1.31],
    )


class LogList(BaseModel):
    """What people did on site, oldest first."""

    site: str = Field(description="Id of the site.", examples=["skerrow-head"])
    start: Time = Field(description="From this instant on.")
    end: Time = Field(description="Up to, not including, this instant.")
    entries: list[LogOut] = Field(description="The entries.")
    next: str | None = Field(description="Give it as `cursor` for the rest; null: this is all.")


class RejectOut(BaseModel):
    """A message, or a record of one, that could not become a reading."""

    time: Time = Field(description="When it last came.")
    topic: str = Field(description="Where it was sent.", examples=["ullage/skerrow-head/post-1/senml"])
    reason: str = Field(description="Why it was refused, and what to send.", examples=["not JSON: send a SenML pack"])
    payload: str = Field(description="Its first 200 bytes; what is not UTF-8 as escapes.", examples=["level=1.31"])


class RejectList(BaseModel):
    """The newest refused messages, newest first."""

    rejects: list[RejectOut] = Field(description="The messages.")
    next: str | None = Field(description="Give it as `cursor` for the older ones; null: this is all.")


class Live(BaseModel):
    """The process runs."""

    status: Literal["live"] = Field(description="Always `live`.")


class SiteHealth(BaseModel):
    """How fresh the data of a site is."""

    site: str = Field(description="Id of the site.", examples=["skerrow-head"])
    newest_reading_age_s: float | None = Field(description="Age of its newest usable reading; null: none. [s]")
    newest_forecast_age_s: float | None = Field(description="Age of its newest forecast; null: none. [s]")


class Ready(BaseModel):
    """Whether this process can answer, and what is wrong."""

    status: Literal["ready", "not ready"] = Field(description="`not ready` (status 503) if a store is out of reach.")
    problems: list[str] = Field(description="What is wrong, as sentences. Stale data is said here, and is still ready.")
    sites: list[SiteHealth] = Field(description="Each site; empty while a store is out of reach.")
