"""Head and flow at outlets, pump and pipe."""

from __future__ import annotations

import pytest

from forecast.sizing.pipes import gravity_flow_l_min, loss_m, outlet_check, pumped_flow_l_min, speed_m_s
from ingest.pipework import Line, Pump
from ingest.site import Site
from tests.forecast.sizing.made import site_of

LINE = Line(outlet_above_floor_m=-1.0, pipe_length_m=20.0, pipe_diameter_mm=20.0, flow_l_min=10.0)
PUMP = Pump(power_w=90.0, flow_l_min=14.0, curve_flow_l_min=[0.0, 10.0, 20.0], curve_head_m=[20.0, 15.0, 0.0])


def test_the_open_tap_spends_all_its_head() -> None:
    flow = gravity_flow_l_min(LINE, 1.5)
    assert loss_m(LINE, flow) == pytest.approx(2.5, abs=1e-4)
    assert speed_m_s(LINE, 18.85) == pytest.approx(1.0, rel=1e-3)


def test_fittings_cost_velocity_heads() -> None:
    # K·v²/(2g): ten at 1 m/s are 0.51 m (any text book; g = 9.80665 m/s²).
    bare = LINE.model_copy(update={"fittings_k": 0.0})
    flow = 18.8496
    assert loss_m(LINE, flow) - loss_m(bare, flow) == pytest.approx(10 / (2 * 9.80665), rel=1e-3)


def test_a_tap_above_the_water_gives_nothing() -> None:
    assert gravity_flow_l_min(LINE.model_copy(update={"outlet_above_floor_m": 1.6}), 1.5) == 0.0


def test_pump_and_pipe_meet_where_both_have_one_head() -> None:
    line = LINE.model_copy(update={"outlet_above_floor_m": 8.0})
    flow = pumped_flow_l_min(line, PUMP, 0.5)
    assert 10.0 < flow < 20.0
    assert 15.0 - (flow - 10.0) * 1.5 == pytest.approx(7.5 + loss_m(line, flow), abs=1e-3)
    assert pumped_flow_l_min(line.model_copy(update={"outlet_above_floor_m": 30.0}), PUMP, 0.5) == 0.0


def tap(**changes: object) -> Site:
    line = {"outlet_above_floor_m": -0.5, "pipe_length_m": 10.0, "pipe_diameter_mm": 20.0, "flow_l_min": 10.0} | changes
    draw = {"id": "tap", "tank": "box", "feed": "gravity", "litres_per_day": 60.0, "line": line}
    return site_of(draw=[draw])


def test_a_tap_says_from_which_level_on_it_gives_its_flow() -> None:
    site = tap()
    found = outlet_check(site, site.draw[0])
    assert found is not None
    assert found.level_needed_m is not None
    # Head left at the outlet, tank full and nearly empty, two metres apart.
    assert found.head_full_m - found.head_low_m == pytest.approx(2.0)
    assert gravity_flow_l_min(site.draw[0].line or LINE, 2.0) == pytest.approx(found.flow_full_l_min, abs=0.05)
    never = tap(outlet_above_floor_m=1.9)
    lacking = outlet_check(never, never.draw[0])
    assert lacking is not None
    assert lacking.level_needed_m is None
    assert lacking.flow_full_l_min < 10.0


def test_a_draw_without_a_pipe_is_not_checked() -> None:
    site = site_of()
    assert outlet_check(site, site.draw[0]) is None


def test_the_pump_of_the_example_fits_its_line(skerrow_head: Site) -> None:
    irrigation = next(draw for draw in skerrow_head.draw if draw.id == "irrigation")
    found = outlet_check(skerrow_head, irrigation)
    assert found is not None
    assert skerrow_head.pump is not None
    assert found.flow_low_l_min > skerrow_head.pump.flow_l_min
    assert found.efficiency is not None
    assert 0.1 < found.efficiency < 0.7
