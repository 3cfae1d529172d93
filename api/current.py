"""The present state of a site: each value with its age, each tank with its water, the newest forecast.

Pure but for the two functions that read a store. `now` is an argument.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import msgspec

from api.settings import Settings
from forecast.model.geometry import Geometry, geometry_of
from forecast.result import Forecast, Input, decode
from ingest.instants import DAY_MS
from ingest.quality import AHEAD_MS, NO_CLOCK_MS
from ingest.reading import AHEAD_OF_CLOCK, Reading
from ingest.saying import Saying, said, say
from ingest.site import Sensor, Site, Tank
from ingest.store.readings import ReadingStore
from ingest.store.records import Records

log = logging.getLogger("ullage.api")

#: So many readings of a clock that was never set are looked at.
_OLDEST: Final = 100


@dataclass(frozen=True)
class Value:
    """The newest usable reading of a sensor; reading None: nothing was ever heard."""

    sensor: Sensor
    reading: Reading | None
    age_ms: int
    stale: bool


@dataclass(frozen=True)
class TankState:
    """A tank and its freshest level; level None: not known.

    volume_l  all the water in it [L]
    usable_l  the part above dead storage, which can be drawn [L]
    measured  the site file has a sensor for its level
    """

    tank: Tank
    geometry: Geometry
    level: Value | None
    level_m: float | None
    volume_l: float | None
    usable_l: float | None
    measured: bool = True

    @property
    def share(self) -> float | None:
        """Volume as a share of that at the brim."""
        return None if self.volume_l is None else self.volume_l / self.geometry.capacity_l


@dataclass(frozen=True)
class CurrentForecast:
    """The newest forecast, how old it is, and why it must not be taken as fresh (empty: it may)."""

    forecast: Forecast
    age_ms: int
    doubts: list[Saying]

    @property
    def stale(self) -> bool:
        return bool(self.doubts)


@dataclass(frozen=True)
class SiteState:
    """All of it at one instant; disbelieved: by sensor id, the last value, newer than the usable one, not believed."""

    site: Site
    now_ms: int
    values: dict[str, Value]
    tanks: list[TankState]
    forecast: CurrentForecast | None
    disbelieved: Mapping[str, Reading] = field(default_factory=dict)

    def measuring(self, measures: str) -> Value | None:
        """The freshest value of what is measured; None: no sensor for it has ever been heard."""
        return freshest(self.values, self.site.sensors_of(measures))


def read_state(site: Site, readings: ReadingStore, records: Records, now_ms: int, settings: Settings) -> SiteState:
    """Read the present state of a site from the stores."""
    values = values_of(site, readings.latest(site.id, now_ms), now_ms, settings)
    forecast = read_forecast(site.id, records, now_ms, settings)
    doubted = disbelieved_of(site.id, readings, values, now_ms)
    return SiteState(site, now_ms, values, [tank_state(site, tank, values) for tank in site.tank], forecast, doubted)


def read_forecast(site: str, records: Records, now_ms: int, settings: Settings) -> CurrentForecast | None:
    """The newest forecast; None: there is none, or none that this version can read."""
    document = records.latest_forecast(site)
    if document is None:
        return None
    try:
        forecast = decode(document)
    except (msgspec.DecodeError, msgspec.ValidationError):
        log.exception("%s: the newest forecast cannot be read; another version wrote it", site)
        return None
    age_ms = now_ms - forecast.issued_ms
    return CurrentForecast(forecast, age_ms, doubts_of(forecast, age_ms, settings))


def values_of(site: Site, latest: Mapping[str, Reading], now_ms: int, settings: Settings) -> dict[str, Value]:
    """Every sensor of the site file with its newest usable reading, by sensor id."""
    values = {}
    for sensor in site.sensor:
        reading = latest.get(sensor.id)
        age_ms = 0 if reading is None else now_ms - reading.time_ms
        stale = reading is None or age_ms > settings.stale_after_ms(sensor.every_s)
        values[sensor.id] = Value(sensor, reading, age_ms, stale)
    return values


def disbelieved_of(site: str, readings: ReadingStore, values: Mapping[str, Value], now_ms: int) -> dict[str, Reading]:
    """What sensors sent last, within a day, that is newer than their usable value and cannot be believed.

    Of a stale sensor also what is dated in the future, or, if it was never heard, when a clock begins that was never
    set. A fresh one whose clock is set right has what it dated in the future behind it.
    """
    found = {}
    for sensor, value in values.items():
        start_ms = max(now_ms - DAY_MS, 0 if value.reading is None else value.reading.time_ms + 1)
        end_ms = now_ms + (AHEAD_MS if value.stale else 1)
        sent = readings.range(site, sensor, start_ms, end_ms, usable=False)
        if not value.stale:
            sent = [reading for reading in sent if not reading.flags & AHEAD_OF_CLOCK]
        elif value.reading is None and not sent:
            sent = readings.range(site, sensor, 0, NO_CLOCK_MS, limit=_OLDEST, usable=False)
        if sent:
            found[sensor] = sent[-1]
    return found


def freshest(values: Mapping[str, Value], sensors: Sequence[Sensor]) -> Value | None:
    """Of several sensors for one thing, the value heard last."""
    heard = [values[sensor.id] for sensor in sensors if values[sensor.id].reading is not None]
    return min(heard, key=lambda value: value.age_ms, default=None)


def tank_state(site: Site, tank: Tank, values: Mapping[str, Value]) -> TankState:
    """How much is in a tank, from its freshest level."""
    geometry = geometry_of(tank)
    sensors = site.sensors_of(f"tank.{tank.id}.level")
    value = freshest(values, sensors)
    if value is None or value.reading is None:
        return TankState(tank, geometry, None, None, None, None, measured=bool(sensors))
    level_m = value.reading.value
    volume_l = float(geometry.volume_l(level_m))
    return TankState(tank, geometry, value, level_m, volume_l, max(0.0, volume_l - geometry.dead_l))


def doubts_of(forecast: Forecast, age_ms: int, settings: Settings) -> list[Saying]:
    """Why a forecast must not be taken as fresh, as the ends of a sentence "because …"."""
    doubts: list[Saying] = []
    if age_ms > settings.stale_forecast_ms:
        doubts.append(say("it was issued too long ago"))
    return doubts + [
        say("{input} is out of date", input=said([entry.name])) for entry in forecast.inputs if entry.stale
    ]


def missing_of(forecast: Forecast) -> list[Input]:
    """What the forecast had to do without."""
    return [entry for entry in forecast.inputs if entry.missing]
