"""The short form of `tests.reference.skill`: fewer issues, so the bounds are a little wider than those wanted."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from forecast.backtest import MEAN_RAIN, NAIVE, OURS, OWN, PLAIN, backtest
from forecast.rivals import BOOSTED, boosted
from forecast.score import crps
from forecast.skill import EMPTY, LEVEL, OVERFLOW, Skill, skill
from tests.reference.rain_records import all_records, fulda
from tests.reference.skill import FEWEST_IN_TENTH, IDEAL, Wanted, all_cases, house, over_streams

EVERY_D, MEMBERS, STREAMS = 40, 50, 4


@cache
def tables() -> Skill:
    return skill(all_cases(all_records(), EVERY_D, MEMBERS, rival=False))


def test_seven_records_of_several_climates_are_what_they_are_said_to_be() -> None:
    # Means a year, 555, 839 and 1106 mm: computed from the files with pandas alone.
    yearly = {record.name: float(np.nanmean(record.rain_mm)) * 8766 for record in all_records()}
    assert len(yearly) == 7
    assert yearly["Schwingbach"] == pytest.approx(555, abs=2)
    assert yearly["Fulda"] == pytest.approx(839, abs=2)
    assert yearly["Seattle"] == pytest.approx(1106, abs=2)


@pytest.mark.parametrize(
    ("what", "way", "most"),
    [
        (LEVEL[1], PLAIN, 0.98), (LEVEL[3], NAIVE, 0.70), (LEVEL[7], NAIVE, 0.53), (LEVEL[14], NAIVE, 0.42),
        (EMPTY, NAIVE, 0.40), (LEVEL[3], MEAN_RAIN, 0.62), (EMPTY, MEAN_RAIN, 0.75),
    ],
)  # fmt: skip
def test_ours_beats_what_is_done_on_paper(what: str, way: str, most: float) -> None:
    assert tables().ratio(what, way) <= most


def test_days_until_overflow_beat_mean_rain() -> None:
    # Of twice as many issues: how often a tank spills within sixteen days differs much from issue to issue.
    ways = {OURS: OWN[OURS]}
    parts = [
        backtest(house(record), record, every_d=EVERY_D // 2, members=MEMBERS, ways=ways) for record in all_records()
    ]
    assert skill(parts).ratio(OVERFLOW, MEAN_RAIN) <= 0.65


def test_an_ideal_outlook_makes_day_3_better_by_a_third() -> None:
    assert 1 / tables().ratio(LEVEL[3], IDEAL) <= 0.70


def test_the_bands_hold_what_they_say() -> None:
    for held in tables().held:
        assert 0.86 <= held.held_90 <= 0.95, held
        assert 0.44 <= held.held_50 <= 0.56, held


def test_chances_of_running_out_come_true_as_often_as_they_say() -> None:
    # Sixteen days of one issue are hardly independent, and a single stream of so few issues is off by what is
    # allowed (.075, while all issues are off by .01): so several are pooled.
    ways = {OURS: OWN[OURS]}
    parts = [
        backtest(house(record), record, every_d=EVERY_D, members=MEMBERS, seed=seed, ways=ways)
        for record in all_records()
        for seed in range(1, STREAMS + 1)
    ]
    full = [tenth for tenth in skill(parts).reliability if tenth.cases >= STREAMS * FEWEST_IN_TENTH]
    assert len(full) >= 8
    assert np.mean([abs(tenth.came - tenth.said) for tenth in full]) <= 0.07


def test_of_several_streams_of_chance_the_mean_is_told_and_how_far_they_lie_apart() -> None:
    first = [Wanted("a", 0.0, 0.35, 0.36), Wanted("rival", 0.0, 1.0, 0.9)]
    rows = over_streams([first, [Wanted("a", 0.0, 0.35, 0.33)]])
    assert rows == [Wanted("a", 0.0, 0.35, 0.345, 0.0212), Wanted("rival", 0.0, 1.0, 0.9)]
    assert rows[0].reached


def test_ours_beats_boosted_quantiles_at_every_lead() -> None:
    cases = backtest(house(fulda()), fulda(), every_d=10)
    learnt = boosted(cases)
    assert learnt is not None
    with_rival = cases.adding(BOOSTED, learnt)
    for place, lead in enumerate(LEVEL):
        assert skill([with_rival]).ratio(LEVEL[lead], BOOSTED) < 1.0
        # A rival worth the name is better than the naive sum.
        came = cases.came.volume_l[:, place, 0]
        assert (
            crps(learnt.volume_l[:, place], came).mean()
            < 0.95 * crps(cases.said[NAIVE].volume_l[:, place], came).mean()
        )
