"""The benchmark of the design check in its short form, by ratios within the run."""

from __future__ import annotations

from tests.bench.design import measure


def test_many_sizes_side_by_side_cost_far_less_than_one_by_one() -> None:
    figures = measure(years=4, times=2)
    assert figures["tank_sizes"] == 47
    assert figures["one_by_one_over_side_by_side"] > 3
    # The whole check, all curves and tables in, costs no more than a plain run of each tank size.
    assert figures["check_over_plain_run"] < 47
