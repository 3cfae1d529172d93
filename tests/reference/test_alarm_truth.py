"""The short form of `python -m tests.reference.alarm_truth`: nine weeks with the first faults of the plan."""

from __future__ import annotations

import pytest

from tests.reference.alarm_truth import Marked, mark, play, totals, watch
from tests.reference.alarm_year import Year, year

DAYS = 63
#: Longer steps than the long form takes: a third of its time.
STEP_MIN = 30


@pytest.fixture(scope="module")
def played() -> Year:
    return year(1, DAYS)


@pytest.fixture(scope="module")
def marks(played: Year) -> list[Marked]:
    return mark(1, played, watch(played, STEP_MIN), STEP_MIN)


def test_nothing_is_missed_or_late_and_no_cause_is_told_twice_in_its_cycle(marks: list[Marked]) -> None:
    whole = totals(marks)[-1]
    assert (whole.missed, whole.late, whole.most_in_a_cycle) == (0, 0, 1)
    assert {mark.alarm for mark in marks if mark.due} >= {
        "battery-low",
        "overflow-now:main",
        "leak-suspected:main",
        "nothing-heard:post-1",
        "first-flush-due:ringing-hut",
    }


def test_hardly_any_alarm_is_false(marks: list[Marked]) -> None:
    assert totals(marks)[-1].false <= 1  # below one a site and month


def test_an_engine_that_sleeps_is_seen(played: Year) -> None:
    whole = totals(mark(1, played, []))[-1]
    assert whole.missed >= 5


def test_the_same_seed_gives_the_same_year() -> None:
    assert play(2, 4) == play(2, 4)
