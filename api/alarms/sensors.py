"""The devices: nothing is heard of one, or what it says cannot be believed."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from api.alarms.facts import Facts, Finding, held_ms, unknown
from api.alarms.history import Believed
from api.alarms.kinds import AlarmId, AlarmType
from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS
from ingest.reading import AHEAD_OF_CLOCK, SUSPECT, flag_words
from ingest.saying import Saying, duration, instant, name, names, number, said, say
from ingest.site import Sensor, Site
from ingest.store.records import Evidence

NOTHING_HEARD: Final = AlarmType(
    key="nothing-heard",
    title="Nothing is heard from {part}",
    cause="No power at the device, no radio link, a broken sensor or cable, or a flat battery.",
    consequence="Levels, forecasts and alarms for this part of the site are blind until it is heard again.",
    action="Look at the device: is its light on, its plug and aerial in place, the battery charged? Switch it off and "
    "on. "
    "Until it is heard again, have somebody on site read the level once a day.",
    respond_within_h=24,
    priority="medium",
    on_delay_ms=0,  # the silence itself is the delay: see Settings.stale_after_ms
    off_delay_ms=2 * HOUR_MS,
    cycle_ms=2 * HOUR_MS,
)
SENSOR_IMPLAUSIBLE: Final = AlarmType(
    key="sensor-implausible",
    title="Readings of {part} cannot be believed",
    cause="A sensor that is stuck, wet, loose or wrongly wired, something floating before it, or a device whose clock "
    "is "
    "wrong.",
    consequence="These readings are kept and not used: forecasts and alarms do without them.",
    action="Look at the sensor: is it clean, dry and firm, is anything before it? Check the device's clock. Measure by "
    "hand once and compare. Do not climb into the tank.",
    respond_within_h=72,
    priority="low",
    on_delay_ms=0,  # a value is disbelieved only after its own delay: see ingest/quality.py and _OFTEN
    off_delay_ms=DAY_MS,
    realarm_ms=7 * DAY_MS,
    deadband=0.01,
    deadband_unit="of the readings",
)
TYPES: Final = (NOTHING_HEARD, SENSOR_IMPLAUSIBLE)

#: Values of a clock that is ahead have come alone for so long: an old good one would have come meanwhile.
_CLOCK_AT_LEAST_MS: Final = 5 * MINUTE_MS
#: Suspect or far-off readings of a day: this share of them, and so many, is a fault and no fluke.
_OFTEN: Final = 0.02
_FEWEST: Final = 5
_OF_AT_LEAST: Final = 24


def alarms(site: Site) -> Iterator[AlarmId]:
    """One of each for each device: whatever silences or spoils a device does it to all its sensors."""
    for device in dict.fromkeys(sensor.device for sensor in site.sensor):
        yield AlarmId(NOTHING_HEARD, device)
        yield AlarmId(SENSOR_IMPLAUSIBLE, device)


def nothing_heard(alarm: AlarmId, facts: Facts, now_ms: int) -> Finding:
    sensors = _of(facts, alarm.part)
    old = [sensor for sensor in sensors if facts.is_old(sensor, now_ms) and sensor.id not in facts.suspect]
    silent = [sensor for sensor in old if now_ms - facts.quiet_since_ms(sensor) > facts.limit_ms(sensor)]
    if silent:
        return Finding(
            True, 0, _silence(alarm.part, silent, len(silent) == len(sensors), facts, now_ms), facts.evidence(*silent)
        )
    if old:
        return unknown("Still waiting to hear some of its sensors.")
    # What sends only values that cannot be used is heard, and is another alarm.
    heard = [
        held_ms(facts.samples(sensor), lambda _: True, facts.limit_ms(sensor), now_ms)
        for sensor in sensors
        if sensor.id not in facts.suspect
    ]
    since = min(heard, default=0)
    told = {"device": name(alarm.part), "held": duration(since)}
    return Finding(False, since, say("{device} is heard again, all its sensors, for {held}.", **told))


def sensor_implausible(alarm: AlarmId, facts: Facts, now_ms: int) -> Finding:
    """Only values that cannot be used arrive; or too many of a day's are such, or jump far off and back."""
    sensors = _of(facts, alarm.part)
    # After a start, old fresh values may just not have come yet: what is suspect must have lasted.
    spoilt = [
        sensor
        for sensor in sensors
        if sensor.id in facts.suspect and now_ms - facts.quiet_since_ms(sensor) > _lasting_ms(facts, sensor)
    ]
    if spoilt:
        words = dict.fromkeys(
            word for sensor in spoilt for word in flag_words(facts.suspect[sensor.id].flags & SUSPECT)
        )
        told = {"sensors": names([sensor.name for sensor in spoilt]), "device": name(alarm.part)}
        return Finding(
            True,
            0,
            say(
                "Values of {sensors} of {device} arrive but cannot be used: {why}.",
                why=said([say(word) for word in words]),
                **told,
            ),
            tuple(_suspect(facts, sensor) for sensor in spoilt),
        )
    doubtful = {sensor: seen for sensor in sensors if _often(seen := facts.history.believed.get(sensor.id, Believed()))}
    if doubtful:
        sensor, seen = max(doubtful.items(), key=lambda item: item[1].doubtful / item[1].readings)
        told = {
            "count": number(seen.doubtful),
            "readings": number(seen.readings),
            "sensor": name(sensor.name),
            "device": name(alarm.part),
        }
        return Finding(
            True, 0, say("{count} of the last day's {readings} values of {sensor} of {device} are far off.", **told),
            facts.evidence(sensor),
        )  # fmt: skip
    if any(sensor.id in facts.suspect or facts.is_old(sensor, now_ms) for sensor in sensors):
        return unknown("Not all its sensors are heard.")
    if any(seen.doubtful > (_OFTEN - alarm.kind.deadband) * seen.readings for seen in _believed(facts, sensors)):
        return unknown("Within the deadband: no change.")
    return Finding(
        False,
        alarm.kind.off_delay_ms,
        say("All sensors of {device} make sense again, for a day.", device=name(alarm.part)),
    )


def _of(facts: Facts, device: str) -> list[Sensor]:
    return [sensor for sensor in facts.site.sensor if sensor.device == device]


def _lasting_ms(facts: Facts, sensor: Sensor) -> int:
    """How long it must have sent nothing usable. [ms] A clock that is ahead is a fault at once, or as soon as seen."""
    limit_ms = facts.limit_ms(sensor)
    if not facts.suspect[sensor.id].flags & AHEAD_OF_CLOCK:
        return limit_ms
    return min(limit_ms, max(_CLOCK_AT_LEAST_MS, round(2_000 * sensor.every_s)))


def _believed(facts: Facts, sensors: list[Sensor]) -> list[Believed]:
    return [facts.history.believed.get(sensor.id, Believed()) for sensor in sensors]


def _often(seen: Believed) -> bool:
    return seen.readings >= _OF_AT_LEAST and seen.doubtful >= _FEWEST and seen.doubtful > _OFTEN * seen.readings


def _suspect(facts: Facts, sensor: Sensor) -> Evidence:
    reading = facts.suspect[sensor.id]
    return Evidence(reading.sensor, reading.time_ms, reading.value)


def _silence(device: str, silent: list[Sensor], whole: bool, facts: Facts, now_ms: int) -> Saying:
    last = [facts.latest[sensor.id].time_ms for sensor in silent if sensor.id in facts.latest]
    told = {"device": name(device)}
    if last:
        told |= {"since": instant(max(last)), "age": duration(now_ms - max(last))}
    if whole and last:
        return say("Nothing usable heard from any sensor of {device} since {since} ({age}).", **told)
    if whole:
        return say("Nothing usable heard from any sensor of {device} at all.", **told)
    sensors = names([sensor.name for sensor in silent])
    if last:
        return say("Nothing usable heard from {sensors} of {device} since {since} ({age}).", sensors=sensors, **told)
    return say("Nothing usable heard from {sensors} of {device} at all.", sensors=sensors, **told)


RULES: Final = {NOTHING_HEARD.key: nothing_heard, SENSOR_IMPLAUSIBLE.key: sensor_implausible}
