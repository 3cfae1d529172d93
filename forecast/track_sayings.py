"""A track record in a few sentences."""

from __future__ import annotations

from typing import Final

from forecast.track import FEWEST, TrackRecord
from forecast.verify import MEAN_RAIN, NO_RAIN, OVERFLOWS, RUNS_OUT, UNCHANGED, WAYS
from ingest.saying import Saying, days, number, say, share

#: A lead that is told in words, the middle one of those that matter to a caretaker. [d]
TOLD_D: Final = 3
#: How the references are named in a sentence.
_NAMED: Final = {
    UNCHANGED: "The error was {ratio} of that of taking the level to stay as it is.",
    NO_RAIN: "The error was {ratio} of that of dividing the water by its use.",
    MEAN_RAIN: "The error was {ratio} of that of reckoning with the season's mean rain.",
}


def track_sayings(record: TrackRecord) -> list[Saying]:
    """The record in a few sentences, for the page; the first says so where there are too few cases."""
    told = next((level for level in record.levels if level.lead_d == TOLD_D), None)
    if told is None or told.cases < FEWEST:
        have = 0 if told is None else told.cases
        text = (
            "Too few forecasts can be judged yet to say how good they are here: {have} of the {wanted} that it takes."
        )
        return [say(text, have=number(have), wanted=number(FEWEST)), *_left_out(record)]
    text = (
        "Of the last {cases} forecasts that could be judged, {held} held the level of {lead} later within their wide "
        "band, which is meant to hold nine in ten."
    )
    sayings = [say(text, cases=number(told.cases), held=number(round(told.held_90 * told.cases)), lead=days(TOLD_D))]
    sayings += [say(_NAMED[way], ratio=share(ratio)) for way in WAYS if (ratio := told.ratio[way]) is not None]
    return [*sayings, *_came_true(record), *_left_out(record)]


def _came_true(record: TrackRecord) -> list[Saying]:
    """What happened, and how it had been foretold: of things that did happen."""
    found = []
    for what, text in (
        (RUNS_OUT, "Rain water ran out within {lead} of {happened} of {cases} forecasts."),
        (OVERFLOWS, "The tank ran over within {lead} of {happened} of {cases} forecasts."),
    ):
        event = next((event for event in record.events if (event.what, event.lead_d) == (what, TOLD_D)), None)
        if event is not None and event.cases >= FEWEST and event.happened:
            figures = {"lead": days(TOLD_D), "happened": number(event.happened), "cases": number(event.cases)}
            found.append(say(text, **figures))
    return found


def _left_out(record: TrackRecord) -> list[Saying]:
    found = []
    if record.disturbed:
        text = "{count} judgements are left out: water was let in or out by hand meanwhile."
        found.append(say(text, count=number(record.disturbed)))
    if record.no_truth:
        text = "{count} judgements are left out: the level that came was not heard."
        found.append(say(text, count=number(record.no_truth)))
    return found
