"""Quantiles at Weibull positions, and first passages with censoring."""

from __future__ import annotations

import numpy as np
import pytest

from forecast.model.passage import bands, passage, quantiles


def test_weibull_positions() -> None:
    # Nine members stand at 0.1, 0.2, … 0.9 (i / (n + 1)).
    members = np.arange(1.0, 10.0)
    assert quantiles(members, (0.1, 0.25, 0.5, 0.9)).tolist() == pytest.approx([1.0, 2.5, 5.0, 9.0])


def test_a_level_beyond_the_members_takes_the_extreme_one() -> None:
    assert quantiles(np.array([1.0, 2.0, 3.0]), (0.05, 0.95)).tolist() == [1.0, 3.0]


def test_members_are_put_in_order_only_where_that_is_asked() -> None:
    members = np.array([[3.0, 1.0, 2.0]])
    assert quantiles(members, (0.5,)).tolist() == [[2.0]]
    assert members.tolist() == [[3.0, 1.0, 2.0]]
    assert quantiles(members, (0.5,), in_place=True).tolist() == [[2.0]]
    assert members.tolist() == [[1.0, 2.0, 3.0]]


def test_a_quantile_never_averages_with_the_infinite() -> None:
    members = np.array([1.0, 2.0, np.inf])
    assert quantiles(members, (0.5, 0.6)).tolist() == [2.0, np.inf]


def test_bands_are_by_entry() -> None:
    found = bands(np.array([[1.0, 2.0, 3.0], [4.0, 5.0, 6.0]]), 1)
    assert found.p50 == [2.0, 5.0]


def test_passages_count_from_the_issue_and_are_censored_at_the_horizon() -> None:
    hours = np.array([1.0, 26.0, 50.0, 24 * 16 + 3.0, np.inf])
    found = passage(hours, horizon_h=384, offset_h=2.0)
    assert found.by_day[:3] == pytest.approx([0.4, 0.6, 0.6])
    assert found.within == pytest.approx(0.6)
    assert found.p50 == pytest.approx(2.0)
    assert found.p75 is None
    assert found.p05 == 0.0
