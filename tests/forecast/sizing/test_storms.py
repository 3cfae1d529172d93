"""Peaks by return period, gutters, first flushes."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import gumbel_r

from forecast.outlook.monthly import monthly_outlook
from forecast.sizing.check import design_check
from forecast.sizing.storms import first_flush, gumbel_level, gutter, rains_of
from ingest.instants import from_rfc3339
from ingest.site import Roof, Site
from tests.forecast.sizing.made import YEAR_H, site_of, years_of


def test_return_levels_of_a_gumbel_sample_are_its_own() -> None:
    sample = gumbel_r.rvs(loc=30.0, scale=8.0, size=4_000, random_state=np.random.default_rng(2))
    for years in (2, 10, 100):
        assert gumbel_level(sample, years) == pytest.approx(gumbel_r.ppf(1 - 1 / years, 30.0, 8.0), rel=0.03)


def test_one_year_says_its_own_largest_and_dry_years_nothing() -> None:
    assert gumbel_level(np.array([12.0]), 100) == 12.0
    assert gumbel_level(np.zeros(5), 10) == 0.0


def test_the_worst_hour_of_a_forecast_on_monthly_means_is_no_storm_of_a_century(skerrow_head: Site) -> None:
    assert skerrow_head.design is not None
    figures = design_check(skerrow_head, None).figures
    a_century = next(level for level in figures.storms.levels if level.years == 100).all_roofs_l_min
    start_ms = from_rfc3339("2025-10-01T00:00:00Z")
    carries_l_mm = sum(roof.plan_area_m2 * roof.runoff_coefficient for roof in skerrow_head.roof)
    for seed in range(5):
        rain = monthly_outlook(skerrow_head.design.rain_mm, start_ms, 16 * 24, 100, np.random.default_rng(seed)).rain_mm
        # As a forecast says it: one course in twenty is worse.
        worst_l_min = float(np.quantile(rain.max(axis=0), 0.95)) * carries_l_mm / 60
        assert worst_l_min < a_century


def test_a_gutter_is_held_against_its_design_rain() -> None:
    roof = Roof(id="r", plan_area_m2=60.0, runoff_coefficient=0.9, tank="box", gutter_capacity_l_min=60.0)
    found = gutter(site_of(), roof)
    # 75 mm/h on 60 m² is 4.5 m³/h, all of it running off.
    assert (found.needed_l_min, found.carries_mm_h) == (75.0, 60.0)
    # 1.25 L/s: a level half-round of 125 mm carries 1.36 L/s, one of 112 mm 1.03.
    assert found.half_round_mm == 125
    asked = site_of(design={"rain_mm": [60.0] * 12, "gutter_rain_mm_h": 50.0})
    assert gutter(asked, roof).needed_l_min == 50.0


def test_rains_are_apart_by_six_dry_hours() -> None:
    rain = np.zeros(YEAR_H)
    rain[[100, 103, 110, 117, 300]] = [2.0, 1.0, 4.0, 3.0, 0.5]
    assert rains_of(years_of(rain)).tolist() == [3.0, 4.0, 3.0]


def test_a_first_flush_says_its_depth_its_time_and_what_it_swallows() -> None:
    roof = Roof.model_validate(
        {"id": "r", "plan_area_m2": 50.0, "runoff_coefficient": 1.0, "wetting_loss_mm": 0.0, "tank": "box",
         "first_flush": {"volume_l": 100.0, "drip_l_h": 4.0}}
    )  # fmt: skip
    found = first_flush(roof, np.array([1.0, 1.5, 2.5, 10.0]))
    assert found is not None
    assert (found.depth_mm, found.emptying_h, found.swallowed, found.by_hand) == (2.0, 25.0, 0.5, False)
