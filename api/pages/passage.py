"""Probabilities by day, as the sentence a person would say. Pure.

A range runs from the day before which the event has one chance in ten, to the day by which it
has nine in ten: four times in five the truth lies within. Days count from now, not from the issue.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from forecast.result import Passage
from ingest import saying
from ingest.instants import DAY_MS, HOUR_MS
from ingest.saying import Figure, Saying, placeholders, template

EARLY: Final = 0.1
LATE: Final = 0.9


@dataclass(frozen=True)
class Span:
    """When something is to be expected.

    early_ms, late_ms  one and nine chances in ten that it has happened; None: not within the horizon
    within             probability within the horizon
    horizon_d          how far the forecast looks [d]
    """

    early_ms: int | None
    late_ms: int | None
    within: float
    horizon_d: int

    def days(self, now_ms: int) -> tuple[int, int | None]:
        """Whole days from now, the early one rounded down and the late one up; late None: beyond the horizon."""
        early = 0 if self.early_ms is None else max(0, math.floor((self.early_ms - now_ms) / DAY_MS))
        return early, None if self.late_ms is None else max(0, math.ceil((self.late_ms - now_ms) / DAY_MS))


def span_of(passage: Passage, issued_ms: int, horizon_h: int) -> Span:
    """The span of a first passage, from its probabilities by day."""
    early, late = (_reached_ms(passage.by_day, share, issued_ms) for share in (EARLY, LATE))
    return Span(early, late, passage.within, horizon_h * HOUR_MS // DAY_MS)


@dataclass(frozen=True)
class _Texts:
    """What is said of one kind of event.

    none     not to be expected              overdue  by the forecast it has happened
    open     any day, or never               later    not before some days, or never
    within   by some day at the latest       on       on one day
    between  between two days
    """

    none: str
    overdue: str
    open: str
    later: str
    within: str
    on: str
    between: str


_LASTS: Final = _Texts(
    none=template("Rain water lasts more than {horizon}"),
    overdue=template("Rain water should have run out by now"),
    open=template("Rain water may run out within a day"),
    later=template("Rain water lasts at least {first}"),
    within=template("Rain water lasts at most {last}"),
    on=template("Rain water lasts {last}"),
    between=template("Rain water lasts {start} to {last}"),
)
_ONE_IN_TEN: Final = template("One chance in ten that it runs out before {day}.")
_OR_BEYOND: Final = template(
    "It may last beyond the {horizon} looked ahead; one chance in ten that it runs out before {day}."
)
_LASTS_MORE: Final = _Texts(
    none=template("Chance that it runs out by then: {chance}."),
    overdue=template("So says this forecast: look at the tank."),
    open=_OR_BEYOND,
    later=_OR_BEYOND,
    within=_ONE_IN_TEN,
    on=_ONE_IN_TEN,
    between=_ONE_IN_TEN,
)
_OVERFLOWS: Final = _Texts(
    none=template("No overflow expected in the next {horizon} ({chance})."),
    overdue=template("Overflow: by this forecast it should have come by now."),
    open=template("Overflow possible any day: {chance} within {horizon}."),
    later=template("Overflow possible from {from_day} on: {chance} within {horizon}."),
    within=template("Overflow expected within {last}."),
    on=template("Overflow expected in {last}."),
    between=template("Overflow expected in {start} to {last}."),
)
_CUTS_OFF: Final = _Texts(
    none=template("No battery cut-off expected in the next {horizon} ({chance})."),
    overdue=template("Battery cut-off: by this forecast it should have come by now."),
    open=template("Battery cut-off possible any day: {chance} within {horizon}."),
    later=template("Battery cut-off possible from {from_day} on: {chance} within {horizon}."),
    within=template("Battery cut-off expected within {last}."),
    on=template("Battery cut-off expected in {last}."),
    between=template("Battery cut-off expected in {start} to {last}."),
)


def lasts(span: Span, now_ms: int) -> Saying:
    """`Rain water lasts 9 to 14 days`"""
    return _said(_LASTS, span, now_ms)


def lasts_more(span: Span, now_ms: int) -> Saying:
    """`One chance in ten that it runs out before Friday 4 December.`"""
    return _said(_LASTS_MORE, span, now_ms)


def overflows(span: Span, now_ms: int) -> Saying:
    """`Overflow expected in 2 to 6 days.`"""
    return _said(_OVERFLOWS, span, now_ms)


def cuts_off(span: Span, now_ms: int) -> Saying:
    """`Battery cut-off possible from Friday 27 November on: about 4 chances in 10 within 16 days.`"""
    return _said(_CUTS_OFF, span, now_ms)


def _said(texts: _Texts, span: Span, now_ms: int) -> Saying:
    first, last = span.days(now_ms)
    if span.early_ms is None:
        text = texts.none
    elif last == 0:
        text = texts.overdue
    elif last is None:
        text = texts.later if first else texts.open
    elif first == 0:
        text = texts.within
    else:
        text = texts.on if first == last else texts.between
    known: dict[str, Figure] = {
        "horizon": saying.days(span.horizon_d),
        "chance": saying.chance(span.within),
        "first": saying.days(first),
        "start": saying.number(first),
        "last": saying.days(last or 0),
        "day": saying.day_after(span.early_ms or 0),
        "from_day": saying.day(span.early_ms or 0),
    }
    return Saying(text, {name: known[name] for name in placeholders(text)})


def _reached_ms(by_day: Sequence[float], share: float, issued_ms: int) -> int | None:
    """When the probability reaches a share, linear within the day. [ms]"""
    before = 0.0
    for number, probability in enumerate(by_day):
        if probability >= share:
            return issued_ms + round((number + (share - before) / (probability - before)) * DAY_MS)
        before = probability
    return None
