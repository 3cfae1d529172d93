"""Scores by hand and against scoringrules."""

from __future__ import annotations

import numpy as np
import pytest
import scoringrules

from forecast.model.passage import passages, quantiles
from forecast.score import (
    brier,
    coverage,
    crps,
    crps_of_days,
    crps_of_points,
    crps_until,
    interval_score,
    rank_share,
    reliability,
)


def test_crps_by_hand() -> None:
    # Members 1 to 5, 2.5 came: mean distance 1.3, half the mean distance between members 0.8.
    assert crps(np.array([1.0, 2, 3, 4, 5]), 2.5) == pytest.approx(0.5)
    # A point forecast's CRPS is its absolute error.
    assert crps(np.array([[3.0], [7.0]]), np.array([5.0, 5.0])).tolist() == [2.0, 2.0]


def test_crps_of_a_normal_ensemble() -> None:
    # N(0, 1) at 0: 0.233695 (scoringrules 0.11, crps_normal).
    members = np.sort(np.random.default_rng(1).normal(size=200_000))
    assert crps(members, 0.0) == pytest.approx(0.233695, abs=0.002)
    assert scoringrules.crps_normal(0.0, 0.0, 1.0) == pytest.approx(0.233695, abs=1e-6)


def test_crps_agrees_with_scoringrules_in_any_order_and_shape() -> None:
    rng = np.random.default_rng(2)
    members, came = rng.gamma(0.5, 3.0, (4, 7, 33)), rng.gamma(0.5, 3.0, (4, 7))
    np.testing.assert_allclose(crps(members, came), scoringrules.crps_ensemble(came, members), rtol=1e-10)


def test_days_until_are_scored_as_far_as_the_horizon() -> None:
    members = np.array([2.0, 9.0, np.inf, np.inf])
    # Beyond the horizon all outcomes are one: 20 days and never score alike.
    assert crps_until(members, 20.0, 16.0) == crps_until(members, np.inf, 16.0)
    assert crps_until(members, 4.0, 16.0) == pytest.approx(crps(np.array([2.0, 9.0, 16.0, 16.0]), 4.0))
    assert crps_until(np.full(3, np.inf), np.inf, 16.0) == 0.0
    assert crps_until(np.full(3, np.inf), 0.0, 16.0) == 16.0


def test_brier_and_interval_score() -> None:
    assert brier([0.7, 0.7], [1, 0]) == pytest.approx([0.09, 0.49])
    # 3 outside of (0, 2) at alpha 0.1: 2 + 20 × 1 (scoringrules 0.11).
    assert interval_score(0.0, 2.0, 3.0, 0.1) == pytest.approx(22.0)
    assert interval_score(0.0, 2.0, 1.0, 0.1) == pytest.approx(2.0)
    assert interval_score(0.0, 2.0, -0.5, 0.2) == pytest.approx(7.0)
    assert scoringrules.interval_score(3.0, 0.0, 2.0, 0.1) == pytest.approx(22.0)


def test_coverage_counts_the_ends_in() -> None:
    assert coverage([0, 0, 0, 0], [2, 2, 2, 2], [0, 2, 1, 3]) == 0.75
    assert np.isnan(coverage([], [], []))


def test_ranks_of_truths_drawn_like_the_members_are_even_though_tanks_are_empty() -> None:
    rng = np.random.default_rng(3)
    draws = np.maximum(0.0, rng.normal(0.2, 1.0, (20_000, 41)))
    share = rank_share(draws[:, 1:], draws[:, 0], rng.random(20_000))
    for level in (0.05, 0.25, 0.5, 0.75, 0.95):
        assert np.mean(share < level) == pytest.approx(level, abs=0.01)
    # The ends-in coverage of the middle half would be far above a half here.
    ordered = np.sort(draws[:, 1:], axis=1)
    assert coverage(ordered[:, 10], ordered[:, 30], draws[:, 0]) > 0.6
    assert rank_share(np.array([1.0, 2.0, 3.0]), 2.5, 0.0) == pytest.approx(0.5)


def test_reliability_sorts_chances_into_tenths() -> None:
    table = reliability([0.05, 0.3, 0.3, 0.39, 1.0], [0, 0, 1, 1, 1])
    assert [(row.low, row.high, row.cases) for row in table] == [(0.0, 0.1, 1), (0.3, 0.4, 3), (0.9, 1.0, 1)]
    assert table[1].said == pytest.approx(0.33)
    assert table[1].came == pytest.approx(2 / 3)


def test_crps_of_five_points_is_that_of_the_members_but_for_a_few_percent() -> None:
    rng = np.random.default_rng(4)
    members = rng.gamma(2.0, 30.0, (4000, 100))
    came = rng.gamma(2.0, 30.0, 4000)
    points = np.moveaxis(quantiles(members), 0, -1)
    assert crps_of_points(points, came).mean() == pytest.approx(crps(members, came).mean(), rel=0.03)
    # One number is judged by its absolute error, as `crps` does.
    np.testing.assert_allclose(crps_of_points(np.full((2, 5), 3.0), np.array([5.0, 2.5])), [2.0, 0.5])
    # Points further from what came score worse on either side.
    fan = np.array([1.0, 2.0, 3.0, 4.0, 5.0])
    assert crps_of_points(fan, 3.0) < crps_of_points(fan, 5.5) == pytest.approx(float(crps_of_points(fan, 0.5)))


def test_crps_of_days_by_hand() -> None:
    # Rises evenly to certainty within the first day; it came in its middle: the two thirds of a square, twice.
    assert crps_of_days(np.array([1.0, 1.0]), 0.5) == pytest.approx(2 * 0.5**3 / 3)
    assert crps_of_days(np.zeros(16), np.inf) == 0.0
    assert crps_of_days(np.zeros(16), 4.0) == pytest.approx(12.0)
    assert crps_of_days(np.ones(16), 0.0, 1.0) == 0.0
    assert crps_of_days(np.ones(16), np.inf, 1.0) == 16.0


def test_crps_of_days_is_that_of_the_members_but_for_a_few_percent() -> None:
    rng = np.random.default_rng(5)
    members, came = rng.exponential(8.0, (500, 200)), rng.exponential(8.0, 500)
    chance = np.array([said.by_day for said in passages(members * 24, 384)])
    assert crps_of_days(chance, came).mean() == pytest.approx(crps_until(members, came, 16.0).mean(), rel=0.02)
