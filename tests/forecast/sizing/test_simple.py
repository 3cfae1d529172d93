"""Hand calculations beside the run."""

from __future__ import annotations

import numpy as np
import pytest

from forecast.sizing.check import design_check
from forecast.sizing.methods import METHODS
from forecast.sizing.simple import by_the_day, sequent_peak_l
from tests.forecast.sizing.made import showers, site_of


def test_daily_rules_by_hand() -> None:
    inflow, demand = np.array([100.0, 0.0, 250.0]), np.array([60.0, 60.0, 60.0])
    # Before spillage: 60 of 100, 40 of the 40 left, then 60 of 250 and 40 over the brim of 150.
    assert by_the_day(inflow, demand, 150.0, spill_first=False) == (160.0, 40.0)
    # After it: nothing stood there on the first day, 60 on the second, 40 on the third; then
    # 250 come where 150 - 40 have room.
    assert by_the_day(inflow, demand, 150.0, spill_first=True) == (100.0, 140.0)


def test_a_release_that_inflow_always_covers_needs_no_storage() -> None:
    assert sequent_peak_l([5.0, 6.0, 7.0], [5.0, 5.0, 5.0]) == 0.0


def test_each_method_says_its_source_and_its_figure() -> None:
    more = [{"id": "tap", "tank": "box", "feed": "gravity", "litres_per_day": 75.0}]
    figures = design_check(site_of(draw=more), showers(3)).figures
    assert figures.reliable_volume < 0.95
    found = {one.method: one.amount for one in figures.simple}
    assert list(found) == list(METHODS)
    rain = figures.total.rain_mm
    assert found["area_times_rain"] == pytest.approx(50.0 * rain, rel=1e-3)
    demand = figures.total.wanted_l
    assert found["five_percent"] == pytest.approx(0.05 * min(50 * 0.8 * 0.9 * rain, demand), rel=1e-3)
    assert found["six_percent"] == pytest.approx(0.06 * min(50 * 0.8 * rain, demand), rel=1e-3)
    before, after = found["before_spillage_daily"], found["after_spillage_daily"]
    assert before is not None
    assert after is not None
    # A tank of a month: the day's step and the hour's agree, and the pessimistic rule is below.
    assert after < before
    assert before == pytest.approx(figures.reliable_volume, abs=0.02)


def test_where_more_is_wanted_than_comes_no_tank_holds_it() -> None:
    thirsty = [{"id": "tap", "tank": "box", "feed": "gravity", "litres_per_day": 400.0}]
    found = {one.method: one.amount for one in design_check(site_of(draw=thirsty), showers(2)).figures.simple}
    assert found["sequent_peak_days"] is None
    assert found["sequent_peak_months"] is None
