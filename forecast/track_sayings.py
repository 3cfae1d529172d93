"""A track record in a few sentences."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from forecast.track import FEWEST, TrackRecord
from forecast.verify import MEAN_RAIN, NO_RAIN, OVERFLOWS, RUNS_OUT, UNCHANGED
from ingest.saying import Saying, days, number, say, share

#: A lead that is told in words, the middle one of those that matter to a caretaker. [d]
TOLD_D: Final = 3


def track_sayings(record: TrackRecord) -> list[Saying]:
    """The record in a few sentences, for the page; the first says so where there are too few cases."""
    told = next((level for level in record.levels if level.lead_d == TOLD_D), None)
    if told is None or told.cases < FEWEST:
        few = say(
            "Too few forecasts can be judged yet to say how good they are here: {have} of the {wanted} that it takes.",
            have=number(0 if told is None else told.cases),
            wanted=number(FEWEST),
        )
        return [few, *_left_out(record)]
    held = say(
        "Of the last {cases} forecasts that could be judged, {held} held the level of {lead} later within their wide "
        "band, which is meant to hold nine in ten.",
        cases=number(told.cases),
        held=number(round(told.held_90 * told.cases)),
        lead=days(TOLD_D),
    )
    return [held, *_beside(told.ratio), *_came_true(record), *_left_out(record)]


def _beside(ratios: Mapping[str, float | None]) -> list[Saying]:
    """The error beside that of each reference that said anything."""
    found = []
    if (ratio := ratios[UNCHANGED]) is not None:
        found.append(say("Their error was {ratio} of that of taking the level to stay as it is.", ratio=share(ratio)))
    if (ratio := ratios[NO_RAIN]) is not None:
        found.append(say("Their error was {ratio} of that of dividing the water by its use.", ratio=share(ratio)))
    if (ratio := ratios[MEAN_RAIN]) is not None:
        found.append(
            say("Their error was {ratio} of that of reckoning with the season's mean rain.", ratio=share(ratio))
        )
    return found


def _came_true(record: TrackRecord) -> list[Saying]:
    """What did happen within the lead that is told."""
    told = {event.what: event for event in record.events if event.lead_d == TOLD_D and event.cases >= FEWEST}
    found = []
    if (event := told.get(RUNS_OUT)) is not None and event.happened:
        found.append(
            say(
                "Rain water ran out within {lead} of {happened} of {cases} forecasts.",
                lead=days(TOLD_D),
                happened=number(event.happened),
                cases=number(event.cases),
            )
        )
    if (event := told.get(OVERFLOWS)) is not None and event.happened:
        found.append(
            say(
                "The tank ran over within {lead} of {happened} of {cases} forecasts.",
                lead=days(TOLD_D),
                happened=number(event.happened),
                cases=number(event.cases),
            )
        )
    return found


def _left_out(record: TrackRecord) -> list[Saying]:
    found = []
    if record.disturbed:
        found.append(
            say(
                "Left out because water was let in or out by hand meanwhile: {count} judgements.",
                count=number(record.disturbed),
            )
        )
    if record.no_truth:
        found.append(
            say(
                "Left out because the level that came was not heard: {count} judgements.",
                count=number(record.no_truth),
            )
        )
    return found
