"""What is wrong with what is heard: nothing more, a wrong clock, values not believed; and how that ends. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from functools import reduce
from operator import or_
from typing import Final, NamedTuple

from api.commissioning.figures import compared_figure
from api.commissioning.hand import Comparison, is_amount
from api.commissioning.written import other_unit
from ingest import saying
from ingest.instants import HOUR_MS, MINUTE_MS
from ingest.quality import limits_of
from ingest.reading import AHEAD_OF_CLOCK, OUT_OF_RANGE, SUSPECT, TIME_OF_ARRIVAL, Reading, flag_sayings
from ingest.saying import Saying, say
from ingest.site import Sensor, Site

#: A sensor is late when nothing has come for so many of its intervals, and not before ten minutes.
_LATE_INTERVALS: Final = 3
_LATE_AT_LEAST_MS: Final = 10 * MINUTE_MS
#: Believed for so long, and so often, what was not believed before is past.
_MENDED_MS: Final = HOUR_MS
_MENDED_READINGS: Final = 3
#: How far ahead a clock is, is known to an interval at best.
_AHEAD_STEP_MS: Final = 10 * MINUTE_MS


def late(sensor: Sensor, newest: Reading, now_ms: int) -> list[Saying]:
    """Nothing more has come; or it has, with a time that is hours old."""
    age_ms = now_ms - newest.time_ms
    if age_ms <= late_ms(sensor):
        return []
    said = [say("Nothing more has come for {age}.", age=saying.duration(age_ms))]
    if not newest.flags & TIME_OF_ARRIVAL:
        said.append(say("If it does send, its clock is behind: it must send UTC, not local time, or no time at all."))
    return said


class Ahead(NamedTuple):
    """What is said of a clock that is ahead, and the newest reading that it dated."""

    said: Saying
    newest: Reading


def is_ahead(reading: Reading, now_ms: int) -> bool:
    """Whether a reading was and still is dated in the future."""
    return bool(reading.flags & AHEAD_OF_CLOCK) and reading.time_ms > now_ms


def dated_ahead(sensor: Sensor, readings: Sequence[Reading], now_ms: int) -> Ahead | None:
    """Of readings, oldest first: that only those dated in the future are new. None: the clock is right, or is again."""
    ahead = [reading for reading in readings if is_ahead(reading, now_ms)]
    fresh_ms = now_ms - late_ms(sensor)
    if not ahead or any(reading.usable and reading.time_ms >= fresh_ms for reading in readings):
        return None
    newest = ahead[-1]
    return Ahead(
        say(
            "Heard, but dated {ahead} in the future ({time}): the clock of {device} is wrong, or it sends for how long "
            "it has been switched on. Set the clock, or leave out the times (bt and t).",
            ahead=ahead_of(newest, now_ms),
            time=saying.instant(newest.time_ms),
            device=saying.name(sensor.device),
        ),
        newest,
    )


def ahead_of(newest: Reading, now_ms: int) -> saying.Figure:
    """How far in the future a reading is dated, no finer than is known."""
    ahead_ms = newest.time_ms - now_ms
    if ahead_ms > 3 * _AHEAD_STEP_MS:
        ahead_ms = round(ahead_ms / _AHEAD_STEP_MS) * _AHEAD_STEP_MS
    return saying.duration(ahead_ms)


def dated_long_ago(sensor: Sensor, unset: Reading) -> Saying:
    """Values are dated when a clock begins that nobody sets."""
    return say(
        "Heard, but dated {date}: the clock of {device} is not set. Set it, or leave out the times (bt and t).",
        date=saying.date(unset.time_ms),
        device=saying.name(sensor.device),
    )


def disbelieved(sensor: Sensor, site: Site, readings: Sequence[Reading]) -> tuple[list[Saying], list[Saying]]:
    """What is not believed of a day's readings, oldest first: still, and no longer."""
    suspect = [reading for reading in readings if not reading.usable]
    if not suspect:
        return [], []
    flags = reduce(or_, (reading.flags & SUSPECT for reading in suspect))
    known = {"count": saying.number(len(suspect)), "why": saying.said(flag_sayings(flags))}
    if _is_mended(readings):
        if len(suspect) == 1:
            return [], [say("One earlier value was not believed: {why}. Those since are.", why=known["why"])]
        return [], [say("{count} earlier values were not believed: {why}. Those since are.", **known)]
    ranged = _range(sensor, site, suspect)
    if len(suspect) == len(readings):
        return [
            say(
                "None of them is believed: {why}. Compare the unit, the range and the clock with the site file.",
                why=known["why"],
            ),
            *ranged,
        ], []
    some = (
        say("One of them is not believed: {why}.", why=known["why"])
        if len(suspect) == 1
        else say("{count} of them are not believed: {why}.", **known)
    )
    return [some, *ranged, say("This ends once all values of an hour are believed.")], []


def waits(sensor: Sensor, by_hand: Comparison | None, newest: Reading, now_ms: int) -> list[Saying]:
    """An amount written down before the sensor has spoken again cannot be compared yet."""
    if by_hand is None or by_hand.agrees or not is_amount(sensor) or newest.time_ms >= by_hand.time_ms:
        return []
    if now_ms - by_hand.time_ms > late_ms(sensor):
        return []
    return [
        say(
            "{hand} by hand at {time}: wait for the next reading, within {every}; then the two are compared.",
            hand=compared_figure(by_hand.unit, by_hand.hand),
            time=saying.instant(by_hand.time_ms),
            every=saying.duration(round(1_000 * sensor.every_s)),
        )
    ]


def _range(sensor: Sensor, site: Site, suspect: Sequence[Reading]) -> list[Saying]:
    """Of the newest value out of range: what is possible, and whether another unit was meant."""
    newest = next((reading for reading in reversed(suspect) if reading.flags & OUT_OF_RANGE), None)
    if newest is None:
        return []
    limits, inside = limits_of(site, sensor), sensor.quantity.unit
    said = [
        say(
            "{value} at {time}; possible is {low} to {high}.",
            value=compared_figure(inside, newest.value),
            time=saying.instant(newest.time_ms),
            low=compared_figure(inside, limits.low),
            high=compared_figure(inside, limits.high),
        )
    ]
    if meant := other_unit(newest.value, sensor, limits.low, limits.high):
        unit, value = meant
        # As it must stand in the message, whatever the reader's own units.
        send = saying.name(f"{value:.4g} {inside}")
        said.append(
            say("Does the device count in {unit}? Then it must send {value}.", unit=saying.said([unit]), value=send)
        )
    return said


def _is_mended(readings: Sequence[Reading]) -> bool:
    """Whether the last hour's readings, and some at least, are all believed."""
    # Those of a clock that was ahead came before what they stand among.
    readings = [reading for reading in readings if not reading.flags & AHEAD_OF_CLOCK]
    if len(readings) < _MENDED_READINGS:
        return False
    last = [reading for reading in readings if reading.time_ms > readings[-1].time_ms - _MENDED_MS]
    if len(last) < _MENDED_READINGS:
        last = list(readings[-_MENDED_READINGS:])
    return all(reading.usable for reading in last)


def late_ms(sensor: Sensor) -> int:
    """After how long without a reading something is wrong with a sensor. [ms]"""
    return max(_LATE_AT_LEAST_MS, round(_LATE_INTERVALS * 1_000 * sensor.every_s))
