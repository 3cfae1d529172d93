"""Curves rise, have their knee, and steps buy what the curve says."""

from __future__ import annotations

import pytest

from forecast.outlook.record import RainRecord
from forecast.sizing import batch
from forecast.sizing.check import design_check
from forecast.sizing.curves import knee_of
from forecast.sizing.result import Figures, Point
from tests.forecast.sizing.made import showers, site_of


def point(size: float, drawn_l: float) -> Point:
    return Point(size=size, reliable_volume=0.5, reliable_days=0.5, drawn_l=drawn_l, spilled_l=0.0)


def test_the_knee_is_where_more_tank_gives_less_than_its_own_volume() -> None:
    bent = [point(size, 4.0 * min(size, 3.0) + 0.9 * max(0.0, size - 3.0)) for size in range(11)]
    assert knee_of(bent) == 3.0
    assert knee_of(bent[2:]) == knee_of(bent[:6]) == 3.0


def test_a_curve_that_is_wholly_before_or_behind_its_knee_has_none() -> None:
    assert knee_of([point(1.0, 100.0), point(5.0, 100.5), point(10.0, 101.0)]) is None
    assert knee_of([point(1.0, 100.0), point(5.0, 120.0), point(10.0, 140.0)]) is None


def test_the_knee_stays_where_it_is_when_the_curve_goes_further(
    figures: Figures, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(batch, "CURVE_STEPS", (-30, 28))
    wider = design_check(site_of(), showers(3)).figures.curves[0]
    assert len(wider.points) == len(figures.curves[0].points) + 12
    assert wider.knee == figures.curves[0].knee is not None


@pytest.fixture(scope="module")
def figures() -> Figures:
    return design_check(site_of(), showers(3)).figures


def test_more_of_anything_but_use_gives_more(figures: Figures) -> None:
    for curve in figures.curves:
        gives = [one.reliable_volume for one in curve.points]
        assert gives == sorted(gives, reverse=curve.lever == "draw"), curve.lever
        assert curve.now in curve.points
        assert [one.size for one in curve.points] == sorted(one.size for one in curve.points)
    tank = figures.curves[0]
    assert len(tank.points) == 47
    spills = [one.spilled_l for one in tank.points]
    assert spills == sorted(spills, reverse=True)
    assert tank.knee is not None


def test_a_step_buys_what_it_says(figures: Figures) -> None:
    # 10 m² more of 50 m² is a fifth of all that the roof delivers: a site of 60 m² gives as much.
    roof = {"id": "roof", "plan_area_m2": 60.0, "runoff_coefficient": 0.8, "wetting_loss_mm": 0.0, "tank": "box"}
    larger = design_check(site_of(roof=[roof]), showers(3)).figures
    step = next(one for one in figures.buys if one.lever == "roof")
    assert step.step == 10.0
    assert step.drawn_l == pytest.approx(larger.total.drawn_l - figures.total.drawn_l, abs=0.3)
    assert step.spilled_l == pytest.approx(larger.total.spilled_l - figures.total.spilled_l, abs=0.3)


def test_what_spills_first_gives_less(figures: Figures) -> None:
    assert 0 < figures.pessimistic_volume <= figures.reliable_volume


def test_dry_years_are_found() -> None:
    record = showers(3)
    rain = record.rain_mm.copy()
    rain[8760 : 2 * 8760] *= 0.5
    figures = design_check(site_of(), RainRecord(record.start_ms, rain, "dry")).figures
    assert figures.worst_year == "2022"
    assert figures.by_year[1].short_days == max(year.short_days for year in figures.by_year)


def test_a_drought_is_outlasted_or_not() -> None:
    record = showers(2)
    rain = record.rain_mm.copy()
    rain[3000 : 3000 + 24 * 60] = 0.0
    spells = design_check(site_of(), RainRecord(record.start_ms, rain, "drought")).figures.dry_spells
    assert 60 <= spells.longest_days <= 66
    assert spells.full_tank_days == pytest.approx(33.3)
    assert spells.outlasted_days < spells.longest_days
    assert spells.of_a_week_outlasted < spells.of_a_week
