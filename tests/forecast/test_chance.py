"""Normals spread evenly over members: the distribution is right in every row, and rows are not alike."""

from __future__ import annotations

import numpy as np
import pytest

from forecast.chance import even_normal


def test_every_row_holds_the_whole_distribution_in_an_order_of_its_own() -> None:
    rows = even_normal(np.random.default_rng(1), 200, 100)
    assert rows.shape == (200, 100)
    assert rows.mean(axis=1) == pytest.approx(np.zeros(200), abs=1e-12)
    assert rows.std(axis=1) == pytest.approx(np.full(200, 0.99), abs=0.01)
    # Quantiles of the standard normal, any table: 1.6449 at 95 %, between two of a hundred.
    ordered = np.sort(rows[0])
    assert ordered[94] < 1.6449 < ordered[95]
    between = np.asarray(np.corrcoef(rows))[np.triu_indices(200, 1)]
    assert abs(between.mean()) < 0.01
    assert between.std() == pytest.approx(0.1, abs=0.01)


def test_a_mean_over_members_varies_less_than_of_free_draws() -> None:
    rng = np.random.default_rng(2)
    even = [np.exp(0.2 * even_normal(rng, 100)).mean() for _ in range(50)]
    free = [np.exp(0.2 * rng.normal(size=100)).mean() for _ in range(50)]
    assert np.std(even) < 0.1 * np.std(free)
