"""All that the rules may know of a site, and what a rule answers. Plain data, and short ways to read it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple, Protocol

from api.alarms.history import History
from api.settings import Settings
from ingest.instants import from_datetime
from ingest.reading import Reading
from ingest.saying import Saying
from ingest.site import Sensor, Site, Tank
from ingest.store.records import Evidence, LogEntry


class Spill(NamedTuple):
    """What a forecast says will run over: litres in the middle and in a bad case, and the worst flow [L/min]."""

    middle_l: float
    bad_l: float
    peak_l_min: float


class Outlook(NamedTuple):
    """What one issued forecast says, as far as alarms ask: probabilities by day, by tank id.

    stale   names of its inputs that were out of date
    spill   of the days in which an overflow is looked for
    cutoff  of the battery; empty: none
    """

    issued_ms: int
    stale: Sequence[str]
    runs_out: Mapping[str, Sequence[float]]
    overflows: Mapping[str, Sequence[float]]
    spill: Mapping[str, Spill] = {}
    cutoff: Sequence[float] = ()


@dataclass(frozen=True)
class Facts:
    """All that the rules may know about a site.

    watching_since_ms  since when this process watches: earlier silence may be its own [ms]
    series    recent usable readings by sensor id, oldest first, none dated after now
    latest    the newest usable reading by sensor id, of any age
    suspect   the newest reading, suspect, of sensors that still send but nothing usable
    outlooks  recent forecasts, oldest first
    forecast_ms  when the newest forecast was issued [ms]; None: there never was one
    history   the last days by the hour
    log       the newest entry of the site log of each kind and part
    """

    site: Site
    settings: Settings
    watching_since_ms: int
    series: Mapping[str, Sequence[Reading]]
    latest: Mapping[str, Reading]
    suspect: Mapping[str, Reading]
    outlooks: Sequence[Outlook]
    forecast_ms: int | None = None
    history: History = field(default_factory=History)
    log: Mapping[tuple[str, str], LogEntry] = field(default_factory=dict)

    def limit_ms(self, sensor: Sensor) -> int:
        """Age from which on a reading is old. [ms]"""
        return self.settings.stale_after_ms(sensor.every_s)

    def is_old(self, sensor: Sensor, now_ms: int) -> bool:
        """Whether a sensor has no usable reading that is fresh."""
        reading = self.latest.get(sensor.id)
        return reading is None or now_ms - reading.time_ms > self.limit_ms(sensor)

    def heard_last(self, measures: str) -> Sensor | None:
        """Of the sensors for one thing, the one heard last."""
        heard = [sensor for sensor in self.site.sensors_of(measures) if sensor.id in self.latest]
        return max(heard, key=lambda sensor: self.latest[sensor.id].time_ms, default=None)

    def fresh(self, measures: str, now_ms: int) -> Sensor | None:
        """The one heard last, if it is fresh."""
        sensor = self.heard_last(measures)
        return None if sensor is None or self.is_old(sensor, now_ms) else sensor

    def samples(self, sensor: Sensor) -> Sequence[Reading]:
        """Its recent usable readings, oldest first."""
        return self.series.get(sensor.id, ())

    def evidence(self, *sensors: Sensor) -> tuple[Evidence, ...]:
        """Their newest readings."""
        heard = [self.latest[sensor.id] for sensor in sensors if sensor.id in self.latest]
        return tuple(Evidence(reading.sensor, reading.time_ms, reading.value) for reading in heard)

    def quiet_since_ms(self, sensor: Sensor) -> int:
        """From when on a sensor's silence counts. [ms] Not from before this process watched, nor the commissioning."""
        reading, commissioned = self.latest.get(sensor.id), self.site.commissioned
        return max(
            self.watching_since_ms,
            0 if reading is None else reading.time_ms,
            0 if commissioned is None else from_datetime(commissioned),
        )

    def tank(self, tank_id: str) -> Tank:
        """The tank of an id."""
        return next(tank for tank in self.site.tank if tank.id == tank_id)


class Finding(NamedTuple):
    """What the facts say of one alarm.

    verdict   it holds, it does not, or the facts do not tell
    held_ms   since how long, to the facts' knowledge [ms]
    said      why, with figures
    evidence  the readings that decided
    """

    verdict: bool | None
    held_ms: int
    said: Saying
    evidence: tuple[Evidence, ...] = ()


def unknown(why: str = "The facts do not tell.") -> Finding:
    """Neither raises nor clears."""
    return Finding(None, 0, Saying(why))


class Sample(NamedTuple):
    """A value and its time."""

    time_ms: int
    value: float


class Timed(Protocol):
    """A reading or a sample."""

    @property
    def time_ms(self) -> int: ...

    @property
    def value(self) -> float: ...


Test = Callable[[float], bool]


def held_ms(
    samples: Sequence[Timed], holds: Test, bridge_ms: int, now_ms: int, is_doubtful: Test = lambda _: False
) -> int:
    """How long, up to now, every sample has passed the test without a gap over `bridge_ms`. [ms]

    is_doubtful  of a lone sample that did not pass, between two that did: whether noise alone may have done it
    """
    since = now_ms
    for place in range(len(samples) - 1, -1, -1):
        sample = samples[place]
        if since - sample.time_ms > bridge_ms:
            break
        if holds(sample.value):
            since = sample.time_ms
        elif not (is_doubtful(sample.value) and is_lone(samples, place, holds)):
            break
    return now_ms - since


def is_lone(samples: Sequence[Timed], place: int, holds: Test) -> bool:
    """Whether the samples on both sides of one pass the test; of the newest, the two before it."""
    beside = (place - 1, place + 1 if place + 1 < len(samples) else place - 2)
    return min(beside) >= 0 and all(holds(samples[one].value) for one in beside)
