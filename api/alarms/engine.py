"""The watch: gather facts from the stores, judge, and put every change on record once."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from threading import Event
from typing import Final
from zoneinfo import ZoneInfo

import msgspec

from api.alarms.broker import broker_dropping
from api.alarms.folding import cause_of
from api.alarms.lifecycle import ACTIVE, retire, step
from api.alarms.muting import by_alarm, mute_of
from api.alarms.rules import Facts, Outlook, find
from api.alarms.types import (
    BATTERY_LOW,
    BROKER_DROPPING,
    EMPTY_PREDICTED,
    NOTHING_HEARD,
    OVERFLOW_NOW,
    OVERFLOW_PREDICTED,
    TANK_LOW,
    AlarmId,
    AlarmType,
    alarms_of,
)
from api.settings import Settings
from api.speech import Speaker
from ingest.errors import StoreUnavailable
from ingest.reading import Reading
from ingest.site import Sensor, Site
from ingest.store.readings import ReadingStore
from ingest.store.records import Records, Transition
from ingest.watch import BROKER_SITE

log = logging.getLogger("ullage.alarms")

INTERVAL_S: Final = 60.0


class AlarmEngine:
    """Watches all sites; one per records store, or each would raise every alarm.

    channels  who is told: one notification for each transition and channel, in the same commit
    """

    def __init__(
        self,
        sites: Mapping[str, Site],
        readings: ReadingStore,
        records: Records,
        clock: Callable[[], int],
        settings: Settings,
        channels: Sequence[str],
    ) -> None:
        self._sites = sites
        self._readings = readings
        self._records = records
        self._clock = clock
        self._settings = settings
        self._channels = channels
        self._watching_since_ms = clock()

    def run(self, stop: Event, interval_s: float = INTERVAL_S) -> None:
        """Watch until told to stop. A store out of reach is waited for; anything else escapes."""
        while not stop.is_set():
            try:
                self.tick()
            except StoreUnavailable as error:
                log.warning("alarms cannot be judged now, trying again in %.0f s: %s", interval_s, error)
            stop.wait(interval_s)

    def tick(self) -> list[Transition]:
        """Judge every alarm of every site once, and the broker; what changed."""
        changed = []
        for site in self._sites.values():
            now_ms = self._clock()
            due = self._due(site, now_ms)
            if due:
                changed += self._records.append_transitions(due, self._channels)
        if (lost := self._broker_due(self._clock())) is not None:
            changed += self._records.append_transitions([lost], self._channels)
        return changed

    def _due(self, site: Site, now_ms: int) -> list[Transition]:
        previous = self._records.last_transitions(site.id)
        look_back_ms = _outlook_window_ms(previous)
        facts = gather(
            site, self._readings, self._records, now_ms, self._settings, self._watching_since_ms, look_back_ms
        )
        actions = by_alarm(self._records.last_alarm_actions(site.id))
        speaker = Speaker(site.zone)
        alarms = {str(alarm): alarm for alarm in alarms_of(site)}
        due = []
        for name, alarm in alarms.items():
            mute = mute_of(actions.get(name, ()), site.zone, now_ms, cause_of(name, previous))
            mark = "" if mute is None else mute.mark
            due.append(step(site.id, alarm, previous.get(name), find(alarm, facts, now_ms), now_ms, speaker, mark))
        due += [retire(entry, now_ms, speaker) for name, entry in previous.items() if name not in alarms]
        return [transition for transition in due if transition is not None]

    def _broker_due(self, now_ms: int) -> Transition | None:
        alarm, zone = AlarmId(BROKER_DROPPING), ZoneInfo("UTC")
        previous = self._records.last_transitions(BROKER_SITE).get(str(alarm))
        mute = mute_of(self._records.last_alarm_actions(BROKER_SITE), zone, now_ms)
        finding = broker_dropping(self._readings, now_ms)
        mark = "" if mute is None else mute.mark
        return step(BROKER_SITE, alarm, previous, finding, now_ms, Speaker(zone), mark)


def gather(
    site: Site,
    readings: ReadingStore,
    records: Records,
    now_ms: int,
    settings: Settings,
    watching_since_ms: int,
    outlook_window_ms: int,
) -> Facts:
    """Read everything that the rules may ask about; of the forecasts, those issued within the window."""
    latest = readings.latest(site.id, now_ms)
    series: dict[str, list[Reading]] = {}
    suspect: dict[str, Reading] = {}
    for sensor in site.sensor:
        newest, limit_ms = latest.get(sensor.id), settings.stale_after_ms(sensor.every_s)
        if newest is not None and now_ms - newest.time_ms <= limit_ms:
            series[sensor.id] = readings.range(site.id, sensor.id, now_ms - _window_ms(sensor, limit_ms), now_ms + 1)
        elif sent := readings.range(site.id, sensor.id, now_ms - limit_ms, now_ms + 1, usable=False):
            suspect[sensor.id] = sent[-1]
    documents = records.forecasts(site.id, now_ms - outlook_window_ms, now_ms + 1)
    outlooks = [outlook for document in documents if (outlook := _outlook(site.id, document)) is not None]
    return Facts(site, settings, watching_since_ms, series, latest, suspect, outlooks)


#: What is measured → the alarms that look back at it.
_LOOK_BACK: Final[dict[str, tuple[AlarmType, ...]]] = {
    "battery.voltage": (BATTERY_LOW,),
    "tank.*.level": (TANK_LOW, OVERFLOW_NOW),
}
#: The alarms that look back at forecasts.
_PREDICTED: Final = (EMPTY_PREDICTED, OVERFLOW_PREDICTED)


def _outlook_window_ms(previous: Mapping[str, Transition]) -> int:
    """How far back forecasts matter. [ms] A day of them only while there is something to clear: they are large."""
    keys = tuple(kind.key for kind in _PREDICTED)
    clearing = any(entry.new in ACTIVE and name.startswith(keys) for name, entry in previous.items())
    return max((kind.off_delay_ms if clearing else kind.on_delay_ms) + kind.bridge_ms for kind in _PREDICTED)


def _window_ms(sensor: Sensor, limit_ms: int) -> int:
    """How far back the readings of a sensor matter. [ms] At least as long as nothing-heard takes to clear."""
    kinds = (NOTHING_HEARD, *_LOOK_BACK.get(sensor.quantity.pattern, ()))
    return max(kind.off_delay_ms + kind.bridge_ms for kind in kinds) + limit_ms


class _Chances(msgspec.Struct):
    by_day: list[float]


class _Tank(msgspec.Struct):
    tank: str
    runs_out: _Chances
    overflows: _Chances


class _Input(msgspec.Struct):
    stale: bool = False


class _Document(msgspec.Struct):
    """The few figures of a forecast document that the alarms need; a day's forecasts are read every minute."""

    issued_ms: int
    inputs: list[_Input]
    tanks: list[_Tank]


_decoder: Final = msgspec.json.Decoder(_Document)


def _outlook(site: str, document: bytes) -> Outlook | None:
    try:
        forecast = _decoder.decode(document)
    except (msgspec.DecodeError, msgspec.ValidationError):
        log.exception("%s: a forecast cannot be read; another version wrote it", site)
        return None
    return Outlook(
        forecast.issued_ms,
        any(entry.stale for entry in forecast.inputs),
        {tank.tank: tank.runs_out.by_day for tank in forecast.tanks},
        {tank.tank: tank.overflows.by_day for tank in forecast.tanks},
    )
