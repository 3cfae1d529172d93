"""Probabilities by day, as the sentence a person would say. Pure.

A range runs from the day before which the event has one chance in ten, to the day by which it
has nine in ten: four times in five the truth lies within. Days count from now, not from the issue.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final
from zoneinfo import ZoneInfo

from api.words import chance, count, day_after
from forecast.result import Passage
from ingest.instants import DAY_MS, HOUR_MS

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


def lasts(span: Span, now_ms: int, zone: ZoneInfo) -> str:
    """`Rain water lasts 9 to 14 days; one chance in ten that it runs out before Fri 4 December.`"""
    if span.early_ms is None:
        return (
            f"Rain water lasts beyond the next {count(span.horizon_d, 'day')}: {chance(span.within)} that it runs out."
        )
    first, last = span.days(now_ms)
    before = f"one chance in ten that it runs out before {day_after(span.early_ms, zone)}."
    if last == 0:
        return "By this forecast rain water should have run out by now."
    if last is None:
        beyond = f"beyond the {count(span.horizon_d, 'day')} looked ahead; {before}"
        if first == 0:
            return f"Rain water may run out within a day, or last {beyond}"
        return f"Rain water lasts at least {count(first, 'day')}, perhaps {beyond}"
    return f"Rain water lasts {_range(first, last)}; {before}"


def overflows(span: Span, now_ms: int, zone: ZoneInfo) -> str:
    """`Overflow in 2 to 6 days; one chance in ten that it comes before Fri 27 November.`"""
    return _comes("Overflow", "No overflow", span, now_ms, zone)


def cuts_off(span: Span, now_ms: int, zone: ZoneInfo) -> str:
    """`Battery cut-off in 2 to 6 days; one chance in ten that it comes before Fri 27 November.`"""
    return _comes("Battery cut-off", "No battery cut-off", span, now_ms, zone)


def _comes(event: str, none: str, span: Span, now_ms: int, zone: ZoneInfo) -> str:
    if span.early_ms is None:
        return f"{none} expected in the next {count(span.horizon_d, 'day')}: {chance(span.within)} that it comes."
    first, last = span.days(now_ms)
    before = f"one chance in ten that it comes before {day_after(span.early_ms, zone)}."
    if last == 0:
        return f"{event}: by this forecast it should have come by now."
    if last is None:
        earliest = f"in {count(first, 'day')} or later" if first else "any day from now"
        return f"{event} {earliest}, if at all: {chance(span.within)} within {count(span.horizon_d, 'day')}; {before}"
    return f"{event} {'in' if first else 'within'} {_range(first, last).removeprefix('at most ')}; {before}"


def _range(first: int, last: int) -> str:
    if first == 0:
        return f"at most {count(last, 'day')}"
    return count(last, "day") if first == last else f"{first} to {last} days"


def _reached_ms(by_day: Sequence[float], share: float, issued_ms: int) -> int | None:
    """When the probability reaches a share, linear within the day. [ms]"""
    before = 0.0
    for number, probability in enumerate(by_day):
        if probability >= share:
            return issued_ms + round((number + (share - before) / (probability - before)) * DAY_MS)
        before = probability
    return None
