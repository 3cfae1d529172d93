"""What belongs to no site: a broker that loses messages, readings that no longer arrive, a store that fails."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from api.alarms.facts import Finding, Sample, held_ms, unknown
from api.alarms.kinds import AlarmId, AlarmType
from api.settings import Settings
from ingest.errors import StoreUnavailable
from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS, SECOND_MS
from ingest.reading import Reading
from ingest.saying import duration, instant, number, say
from ingest.site import Site
from ingest.store.readings import ReadingStore
from ingest.store.records import Evidence
from ingest.totals import increments
from ingest.watch import BROKER_SITE, DROPPED, WELL

BROKER_DROPPING: Final = AlarmType(
    key="broker-dropping",
    title="The broker drops messages",
    cause="More messages wait than the broker may keep: the collector was away for long, or it may keep too few.",
    consequence="Readings that devices believe delivered are lost.",
    action="Nothing on site. Whoever looks after the server: see that the collector runs. Compare the broker's "
    "settings "
    "with deploy/mosquitto/mosquitto.conf, or use the bundled broker, which refuses what it cannot keep.",
    respond_within_h=4,
    priority="medium",
    on_delay_ms=0,  # each one is a loss
    off_delay_ms=24 * HOUR_MS,
    realarm_ms=DAY_MS,
)
NOTHING_ARRIVES: Final = AlarmType(
    key="nothing-arrives",
    title="No readings arrive from anywhere",
    cause="The collector or the broker is down, the server is off the network, or its disk is full.",
    consequence="Every site is blind at once. Devices keep their readings if they can, and send them later.",
    action="Nothing on site. Whoever looks after the server: see that `ullage ingest` and the broker run, that the "
    "disk "
    "has room, and that the server can be reached from outside.",
    respond_within_h=4,
    priority="high",
    on_delay_ms=0,  # the silence is the delay
    off_delay_ms=15 * MINUTE_MS,
    realarm_ms=DAY_MS,
)
STORE_FAILING: Final = AlarmType(
    key="store-failing",
    title="The store of readings cannot be read",
    cause="Its disk or its database is away, full or overloaded.",
    consequence="No alarm is judged and no forecast is made until it is back.",
    action="Nothing on site. Whoever looks after the server: look at the disk and the database, and read the log.",
    respond_within_h=4,
    priority="high",
    on_delay_ms=5 * MINUTE_MS,
    off_delay_ms=15 * MINUTE_MS,
    realarm_ms=DAY_MS,
)
TYPES: Final = (STORE_FAILING, NOTHING_ARRIVES, BROKER_DROPPING)
ALARMS: Final = tuple(AlarmId(kind) for kind in TYPES)

#: The bundled broker tells each minute how it is; this long without a word, the collector is down.
HEARTBEAT_MS: Final = 10 * MINUTE_MS
#: All devices of all sites silent for so many of their intervals, and so long: before each alone counts as silent.
_INTERVALS: Final = 2.5
_SILENT_MS: Final = 20 * MINUTE_MS


@dataclass(frozen=True)
class Installation:
    """What the rules ask. store_error: since when readings cannot be read [ms], None: they can."""

    sites: Iterable[Site]
    readings: ReadingStore
    settings: Settings
    watching_since_ms: int
    failing_since_ms: int | None
    well_since_ms: int


def find_installation(alarm: AlarmId, at: Installation, now_ms: int) -> Finding:
    """What the facts say about one alarm of the installation now."""
    if alarm.kind is STORE_FAILING:
        return _store_failing(at, now_ms)
    if at.failing_since_ms is not None:
        return unknown("Readings cannot be read.")
    try:
        return _dropping(at, now_ms) if alarm.kind is BROKER_DROPPING else _nothing_arrives(at, now_ms)
    except StoreUnavailable:
        return unknown("Readings cannot be read.")


def _store_failing(at: Installation, now_ms: int) -> Finding:
    if at.failing_since_ms is None:
        held = now_ms - at.well_since_ms
        return Finding(False, held, say("Readings have been there again for {held}.", held=duration(held)))
    told = {"since": instant(at.failing_since_ms), "held": duration(now_ms - at.failing_since_ms)}
    said = say("Readings have not been readable since {since} ({held}).", **told)
    return Finding(True, now_ms - at.failing_since_ms, said)


def _dropping(at: Installation, now_ms: int) -> Finding:
    """Every increase of the broker's count is a loss. It starts anew with the broker: what it shows then came since."""
    window_ms = BROKER_DROPPING.off_delay_ms
    seen = at.readings.range(BROKER_SITE, DROPPED, now_ms - window_ms - DAY_MS, now_ms + 1)
    if not seen:
        return unknown("The broker does not tell what it drops.")
    lost = round(sum(step.amount for step in increments(seen) if step.end_ms > now_ms - window_ms))
    evidence = tuple(Evidence(DROPPED, reading.time_ms, reading.value) for reading in seen[-2:])
    if lost:
        said = say("Messages that Mosquitto dropped within the last day: {lost}.", lost=number(lost))
        return Finding(True, 0, said, evidence)
    return Finding(False, window_ms, say("No message was dropped in the last day."), evidence)


def _nothing_arrives(at: Installation, now_ms: int) -> Finding:
    """The broker's own word has stopped, or every device of every site has fallen silent at once."""
    told = at.readings.latest(BROKER_SITE, now_ms)
    well = told.get(WELL)
    if well is not None and well.value < 0.5:
        return Finding(True, 0, say("The broker takes nothing, {at}.", at=instant(well.time_ms)), _as_evidence(well))
    if well is not None and now_ms - max(well.time_ms, at.watching_since_ms) > HEARTBEAT_MS:
        age = duration(now_ms - well.time_ms)
        said = say("The collector was last heard at {since} ({age}).", since=instant(well.time_ms), age=age)
        return Finding(True, 0, said, _as_evidence(well))
    newest = {site.id: at.readings.latest(site.id, now_ms) for site in at.sites}
    devices = _devices(at, newest)
    silent = [name for name, (last, limit_ms) in devices.items() if now_ms - last > limit_ms]
    if len(devices) > 1 and len(silent) == len(devices):
        last_ms = max(reading.time_ms for of in newest.values() for reading in of.values())
        said = say(
            "None of {count} devices has been heard since {since} ({age}).",
            count=number(len(devices)),
            since=instant(last_ms),
            age=duration(now_ms - last_ms),
        )
        return Finding(True, 0, said)
    if not devices and well is None:
        return unknown("Nothing was ever heard.")
    held = (
        min(_heard_for_ms(at, newest, now_ms), now_ms - at.watching_since_ms)
        if devices
        else NOTHING_ARRIVES.off_delay_ms
    )
    return Finding(False, held, say("Readings arrive again, for {held}.", held=duration(held)))


def _devices(at: Installation, newest: Mapping[str, Mapping[str, Reading]]) -> dict[str, tuple[int, int]]:
    """Each device ever heard: when last [ms], not before this process watched, and how long it may be silent [ms]."""
    found: dict[str, tuple[int, int]] = {}
    for site in at.sites:
        for sensor in site.sensor:
            reading = newest[site.id].get(sensor.id)
            if reading is not None:
                device = f"{site.id}/{sensor.device}"
                last, limit_ms = found.get(device, (at.watching_since_ms, _SILENT_MS))
                every_ms = round(_INTERVALS * sensor.every_s * SECOND_MS)
                found[device] = (max(last, reading.time_ms), max(limit_ms, every_ms))
    return found


def _heard_for_ms(at: Installation, newest: Mapping[str, Mapping[str, Reading]], now_ms: int) -> int:
    """For how long the sensor heard last has been heard without a silence, an hour at most. [ms]"""
    last = max((reading for of in newest.values() for reading in of.values()), key=lambda reading: reading.time_ms)
    readings = at.readings.range(last.site, last.sensor, now_ms - HOUR_MS, now_ms + 1)
    samples = [Sample(reading.time_ms, reading.value) for reading in readings]
    return held_ms(samples, lambda _: True, _SILENT_MS, now_ms)


def _as_evidence(reading: Reading) -> tuple[Evidence, ...]:
    return (Evidence(reading.sensor, reading.time_ms, reading.value),)
