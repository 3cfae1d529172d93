"""The sentences: what a person reads for each shape that a forecast can have."""

from __future__ import annotations

from collections.abc import Sequence
from zoneinfo import ZoneInfo

import pytest

from api.pages.passage import cuts_off, lasts, lasts_more, overflows, span_of
from api.speech import Speaker
from api.words import chance, clock_time, day_after, duration, listed, litres
from forecast.result import Passage
from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS, from_rfc3339
from tests.api.fakes import NOW_MS, passage, rising

LONDON = ZoneInfo("Europe/London")
AUCKLAND = ZoneInfo("Pacific/Auckland")
HORIZON_H = 384


def said(events: Passage, age_ms: int = 0) -> str:
    span = span_of(events, NOW_MS - age_ms, HORIZON_H)
    return " / ".join(Speaker(LONDON).say(what(span, NOW_MS)) for what in (lasts, lasts_more))


@pytest.mark.parametrize(
    ("by_day", "sentence"),
    [
        (
            rising(8.5, 14.5).by_day,
            "Rain water lasts 9 to 14 days / One chance in ten that it runs out before Saturday 5 December.",
        ),
        (
            [0.0],
            "Rain water lasts more than 16 days / Chance that it runs out by then: less than one chance in a hundred.",
        ),
        ([0.0, 0.04], "Rain water lasts more than 16 days / Chance that it runs out by then: about 4 chances in 100."),
        (
            [0.0] * 5 + [0.5],
            (
                "Rain water lasts at least 5 days / It may last beyond the 16 days looked ahead; "
                "one chance in ten that it runs out before Tuesday 1 December."
            ),
        ),
        (
            [0.5],
            (
                "Rain water may run out within a day / It may last beyond the 16 days looked ahead; "
                "one chance in ten that it runs out before Thursday 26 November."
            ),
        ),
        (
            [0.5, 0.8, 1.0],
            "Rain water lasts at most 3 days / One chance in ten that it runs out before Thursday 26 November.",
        ),
        ([1.0], "Rain water lasts at most 1 day / One chance in ten that it runs out before Thursday 26 November."),
        (
            [0.0, 0.0, 1.0],
            "Rain water lasts 2 to 3 days / One chance in ten that it runs out before Saturday 28 November.",
        ),
    ],
)
def test_how_long_it_lasts(by_day: Sequence[float], sentence: str) -> None:
    assert said(passage(by_day)) == sentence


def test_days_count_from_now_and_not_from_the_issue() -> None:
    assert said(rising(8.5, 14.5), age_ms=3 * DAY_MS).startswith("Rain water lasts 6 to 11 days")


def test_forecast_that_time_has_overtaken_says_so() -> None:
    assert (
        said(rising(0, 1), age_ms=3 * DAY_MS)
        == "Rain water should have run out by now / So says this forecast: look at the tank."
    )


@pytest.mark.parametrize(
    ("by_day", "sentence"),
    [
        (rising(2, 6).by_day, "Overflow expected in 2 to 6 days."),
        ([0.0, 0.3, 0.4], "Overflow possible from Thursday 26 November on: about 4 chances in 10 within 16 days."),
        ([0.3, 0.4], "Overflow possible any day: about 4 chances in 10 within 16 days."),
        ([0.6, 1.0], "Overflow expected within 2 days."),
        ([0.0, 0.0, 1.0], "Overflow expected in 2 to 3 days."),
        ([0.0, 0.02], "No overflow expected in the next 16 days (about 2 chances in 100)."),
    ],
)
def test_when_it_overflows(by_day: Sequence[float], sentence: str) -> None:
    said = Speaker(LONDON).say(overflows(span_of(passage(by_day), NOW_MS, HORIZON_H), NOW_MS))
    assert said == sentence


def test_when_the_battery_cuts_off() -> None:
    span = span_of(rising(2, 6), NOW_MS, HORIZON_H)
    assert Speaker(LONDON).say(cuts_off(span, NOW_MS)) == "Battery cut-off expected in 2 to 6 days."


def test_times_are_local_to_the_site() -> None:
    assert clock_time(NOW_MS, LONDON) == "Wed 25 Nov, 12:04"
    assert clock_time(NOW_MS, AUCKLAND) == "Thu 26 Nov, 01:04"
    assert day_after(NOW_MS, AUCKLAND) == "Friday 27 November"
    # The clocks go back on Sunday 25 October 2026 in London: a day of 25 hours.
    assert day_after(from_rfc3339("2026-10-24T23:30:00Z"), LONDON) == "Monday 26 October"


@pytest.mark.parametrize(
    ("span_ms", "words"),
    [
        (59_999, "less than a minute"),
        (MINUTE_MS, "1 minute"),
        (119 * MINUTE_MS, "119 minutes"),
        (2 * HOUR_MS, "2 hours"),
        (47 * HOUR_MS + 59 * MINUTE_MS, "47 hours"),
        (2 * DAY_MS, "2 days"),
    ],
)
def test_lengths_of_time(span_ms: int, words: str) -> None:
    assert duration(span_ms) == words


def test_figures_are_no_finer_than_the_sensor() -> None:
    assert [litres(v) for v in (2131.4, 84.4, 0.2, 999.6)] == ["2,130 L", "84 L", "0 L", "1,000 L"]
    assert [chance(p) for p in (0.0, 0.04, 0.31, 0.97, 1.0)] == [
        "less than one chance in a hundred",
        "about 4 chances in 100",
        "about 3 chances in 10",
        "more than 9 chances in 10",
        "nearly certain",
    ]
    assert listed(["a"]) == "a"
    assert listed(["a", "b", "c"]) == "a, b and c"
