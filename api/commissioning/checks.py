"""Each sensor on the day of commissioning: heard, believed, moving, compared; and what to do where it is not. Pure."""

from __future__ import annotations

import itertools
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from api.commissioning.figures import compared_figure, difference_figure
from api.commissioning.hand import Comparison, is_amount, well_apart_m
from api.commissioning.heard import dated_ahead, dated_long_ago, disbelieved, is_ahead, late, waits
from ingest import saying
from ingest.instants import DAY_MS
from ingest.reading import TIME_OF_ARRIVAL, Reading
from ingest.saying import Saying, say
from ingest.site import Sensor, Site

#: silent: nothing comes; look: something is wrong; compare: well heard, not yet held against a hand; ready.
Verdict = Literal["silent", "look", "compare", "ready"]

#: So far back the readings are looked at.
LOOK_BACK_MS: Final = DAY_MS
#: Heard less often than every so many of its intervals, file and device disagree.
_RARE: Final = 2.0
#: From so many readings on, one that never moves is worth a look.
_ENOUGH: Final = 10

_GAUGE: Final = say(
    "pour a known amount slowly through the gauge within an hour, from firm ground and never from a roof; millimetres "
    "are litres by square metre of funnel"
)
_INLET: Final = say(
    "pour a known amount into the gutter within an hour, from the ground or a safe place and never from the roof, and "
    "take off what the first flush keeps; or reckon the amount from the rise of the tank's level while nobody draws; "
    "write that amount down"
)
#: Pattern of a quantity → how a person measures it.
_BY_HAND: Final = {
    "tank.*.level": say(
        "measure the depth of the water from the tank floor with a clean rod or tape, from firm ground and without "
        "climbing in, and close and secure the lid again"
    ),
    "battery.voltage": say(
        "have it measured at the battery's terminals by somebody trained for it, with insulated probes: a short "
        "circuit there burns"
    ),
    "battery.current": say(
        "have it measured by somebody trained for it, with a clamp around the cable: a short circuit at the battery "
        "burns"
    ),
    "rain.total": _GAUGE,
    "rain.rate": _GAUGE,
    "roof.*.total": _INLET,
    "roof.*.flow": _INLET,
}
_AMOUNT_BY_HAND: Final = say(
    "let a known amount run through within an hour, into a bucket of known size, and write that amount down"
)
_OTHERWISE: Final = say("measure it beside the sensor")


@dataclass(frozen=True)
class Check:
    """What was found of one sensor.

    said    sentences: what was heard, what is wrong, what to do
    newest  the newest reading, usable or not
    one_level  a level that agrees, and was never compared at another height: a wrong scale does not show so
    """

    sensor: Sensor
    verdict: Verdict
    said: list[Saying]
    newest: Reading | None
    by_hand: Comparison | None
    one_level: bool = False


def check(
    sensor: Sensor,
    site: Site,
    readings: Sequence[Reading],
    by_hand: Comparison | None,
    now_ms: int,
    *,
    prefix: str = "ullage",
    refused: bool = False,
    another: Comparison | None = None,
    unset: Reading | None = None,
) -> Check:
    """What is found of one sensor.

    readings  of the last day and of all time to come, suspect ones too, oldest first
    prefix    first level of all topics
    refused   whether messages of the site were refused, which stand below
    another   of a level: a measurement by hand at a height well apart from the newest one, that agreed too
    unset     a reading from before there were any such devices: its clock was never set
    """
    ahead = dated_ahead(sensor, readings, now_ms)
    readings = [reading for reading in readings if not is_ahead(reading, now_ms)]
    if not readings and ahead is not None:
        return Check(sensor, "look", [ahead.said], ahead.newest, by_hand)
    if not readings and unset is not None:
        return Check(sensor, "look", [dated_long_ago(sensor, unset)], unset, by_hand)
    if not readings:
        said = [say("Nothing heard in the last day."), _what_to_send(sensor, site, prefix)]
        if refused:
            said.append(say("Look at the refused messages below as well."))
        return Check(sensor, "silent", said, None, None)
    newest = readings[-1]
    heard = say(
        "Values in the last day: {count}, the newest at {time}.",
        count=saying.number(len(readings)),
        time=saying.instant(newest.time_ms),
    )
    doubted, mended = disbelieved(sensor, site, readings)
    wrong = late(sensor, newest, now_ms) if ahead is None else [ahead.said]
    wrong += doubted + _too_rare(sensor, readings) + _level_never_moves(sensor, readings)
    awaited = waits(sensor, by_hand, newest, now_ms)
    if by_hand is not None and not by_hand.agrees and not awaited:
        wrong.append(_apart(by_hand))
    said = [heard, *wrong, *awaited, *mended, *_total_stands_still(sensor, readings)]
    if newest.flags & TIME_OF_ARRIVAL:
        said.append(say("The device sends no time: its values are dated by their arrival."))
    if by_hand is not None and by_hand.agrees:
        said += [_together(by_hand), *_scale(sensor, site, another)]
    if by_hand is None:
        how = saying.said([_how(sensor)])
        said.append(say("Not compared with a measurement by hand yet: {how}.", how=how))
    verdict: Verdict = "look" if wrong else "compare" if by_hand is None or awaited else "ready"
    one_level = verdict == "ready" and another is None and well_apart_m(sensor, site) is not None
    return Check(sensor, verdict, said, newest, by_hand, one_level)


def _what_to_send(sensor: Sensor, site: Site, prefix: str) -> Saying:
    if sensor.topic is not None and sensor.pointer is not None:
        return say(
            "Something must be published to {topic}, with the number at {pointer}: look at power, link, address and "
            "password of {device}.",
            topic=saying.name(sensor.topic),
            pointer=saying.name(sensor.pointer),
            device=saying.name(sensor.device),
        )
    return say(
        "SenML must be published with QoS 1 to {topic}, with the name {name} and the unit {unit}: look at power, link, "
        "address and password of {device}.",
        topic=saying.name(f"{prefix}/{site.id}/{sensor.device}/senml"),
        name=saying.name(sensor.name),
        unit=saying.names(sensor.sent_units[:1]),
        device=saying.name(sensor.device),
    )


def _too_rare(sensor: Sensor, readings: Sequence[Reading]) -> list[Saying]:
    gaps_ms = [later.time_ms - earlier.time_ms for earlier, later in itertools.pairwise(readings)]
    if len(gaps_ms) < _ENOUGH or (usual_ms := statistics.median(gaps_ms)) <= _RARE * 1_000 * sensor.every_s:
        return []
    return [
        say(
            "It comes every {usual}, and the site file says every {every}: correct the one or the other.",
            usual=saying.duration(round(usual_ms)),
            every=saying.duration(round(1_000 * sensor.every_s)),
        )
    ]


def _level_never_moves(sensor: Sensor, readings: Sequence[Reading]) -> list[Saying]:
    """A level that stands still to the last digit may be right, and may be a wire that came off."""
    if sensor.quantity.pattern != "tank.*.level" or not _stands_still(readings):
        return []
    return [say("It has not moved at all: draw some water, and see that it does.")]


def _total_stands_still(sensor: Sensor, readings: Sequence[Reading]) -> list[Saying]:
    """Of a running total that is no fault: only an amount that ran through tells whether it counts."""
    if not sensor.quantity.counter or not _stands_still(readings):
        return []
    if sensor.quantity.pattern.startswith(("rain.", "roof.")):
        return [say("The total has not moved, which is right if it has not rained since.")]
    return [say("The total has not moved, which is right if nothing has run through since.")]


def _stands_still(readings: Sequence[Reading]) -> bool:
    return len(readings) >= _ENOUGH and len({reading.value for reading in readings}) == 1


def _how(sensor: Sensor) -> Saying:
    return _BY_HAND.get(sensor.quantity.pattern, _AMOUNT_BY_HAND if is_amount(sensor) else _OTHERWISE)


def _apart(found: Comparison) -> Saying:
    hand = {"hand": compared_figure(found.unit, found.hand), "time": saying.instant(found.time_ms)}
    if found.sensor is None:
        return say("{hand} were measured by hand at {time}, and nothing usable was heard near that time.", **hand)
    return say(
        "{sensor} by the sensor and {hand} by hand at {time}: {difference} apart, more than {apart}. Measure again, "
        "then correct the sensor, how it is mounted, or the site file.",
        sensor=compared_figure(found.unit, found.sensor),
        difference=difference_figure(found.unit, abs(found.sensor - found.hand)),
        apart=difference_figure(found.unit, found.apart),
        **hand,
    )


def _together(found: Comparison) -> Saying:
    return say(
        "{sensor} by the sensor and {hand} by hand, at {time} by {who}: they agree.",
        sensor=compared_figure(found.unit, found.sensor if found.sensor is not None else found.hand),
        hand=compared_figure(found.unit, found.hand),
        time=saying.instant(found.time_ms),
        who=saying.name(found.who),
    )


def _scale(sensor: Sensor, site: Site, another: Comparison | None) -> list[Saying]:
    """Of a level: whether two heights have been compared, or what one alone does not tell."""
    apart_m = well_apart_m(sensor, site)
    if apart_m is None:
        return []
    if another is None:
        return [
            say(
                "One level alone does not tell a wrong scale: measure again when the water stands {apart} or more "
                "higher or lower.",
                apart=saying.metres(apart_m),
            )
        ]
    return [
        say(
            "So did {hand} at {time}: with two levels well apart, the scale is right too.",
            hand=saying.metres(another.hand),
            time=saying.instant(another.time_ms),
        )
    ]
