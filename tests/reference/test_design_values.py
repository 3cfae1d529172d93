"""The design check against handbooks, standards and reference libraries; the source stands beside each."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from fluids.core import Reynolds
from fluids.friction import friction_factor

from forecast.model.balance import DRAWN, INFLOW, SPILLED
from forecast.model.plan import plan_of
from forecast.outlook.record import RainRecord
from forecast.sizing.batch import Size
from forecast.sizing.check import design_check
from forecast.sizing.on_storms import LEAST_FLUSH_MM
from forecast.sizing.pipes import DENSITY_KG_M3, GRAVITY_M_S2, VISCOSITY_PA_S, loss_m, speed_m_s
from forecast.sizing.simple import sequent_peak_l
from forecast.sizing.storms import gutter, half_round_l_min
from forecast.sizing.sweep import sweep
from forecast.sizing.years import Year, Years
from ingest.instants import HOUR_MS, from_rfc3339
from ingest.pipework import Line
from ingest.units import LITRES_PER_US_GALLON, us_gallons
from tests.forecast.sizing.made import site_of
from tests.reference.rain_records import schwingbach
from tests.reference.swmm import Case, by_swmm, by_us

LINE = Line(
    outlet_above_floor_m=0.0, pipe_length_m=100.0, pipe_diameter_mm=50.0, pipe_roughness_mm=0.0, fittings_k=0.0,
    flow_l_min=120.0,
)  # fmt: skip


def test_sequent_peak_of_the_text_book() -> None:
    # Loucks and van Beek, Water Resource Systems Planning and Management: inflow 1, 3, 3, 5, 8, 6, 7, 2, 1,
    # run twice, release 3.5 (from memory, recomputed): 7.5.
    assert sequent_peak_l([1, 3, 3, 5, 8, 6, 7, 2, 1] * 2, [3.5] * 18) == pytest.approx(7.5)


@pytest.mark.parametrize("flow_l_min", [2.0, 30.0, 120.0])
def test_friction_is_darcy_weisbach_with_the_factor_of_fluids(flow_l_min: float) -> None:
    speed = speed_m_s(LINE, flow_l_min)
    reynolds = Reynolds(V=speed, D=0.05, rho=DENSITY_KG_M3, mu=VISCOSITY_PA_S)
    expected = friction_factor(Re=reynolds, eD=0.0) * 100.0 / 0.05 * speed**2 / (2 * GRAVITY_M_S2)
    assert loss_m(LINE, flow_l_min) == pytest.approx(expected, rel=1e-6)


def test_friction_is_near_hazen_and_williams() -> None:
    # h = 10.67 L Q^1.852 / (C^1.852 d^4.8704), C = 150 for smooth plastic (common handbook form): they agree to a
    # few percent near 1 m/s, for which the formula was made; cold water is a little stiffer.
    flow_m3_s = 120.0 / 60_000
    hazen_williams_m = 10.67 * 100.0 * flow_m3_s**1.852 / (150.0**1.852 * 0.05**4.8704)
    assert speed_m_s(LINE, 120.0) == pytest.approx(1.02, abs=0.01)
    assert loss_m(LINE, 120.0) == pytest.approx(hazen_williams_m, rel=0.1)


def test_laminar_friction_is_hagen_and_poiseuille() -> None:
    # h = 128 μ L Q / (π ρ g d⁴), exact (any text book).
    narrow = LINE.model_copy(update={"pipe_diameter_mm": 20.0})
    flow_m3_s = 0.5 / 60_000
    exact = 128 * VISCOSITY_PA_S * 100.0 * flow_m3_s / (3.141592653589793 * DENSITY_KG_M3 * GRAVITY_M_S2 * 0.02**4)
    assert loss_m(narrow, 0.5) == pytest.approx(exact, rel=1e-4)


@pytest.mark.parametrize(("diameter_mm", "l_s"), [(75, 0.38), (100, 0.78), (125, 1.37), (150, 2.16)])
def test_half_round_gutters_carry_what_the_building_regulations_say(diameter_mm: float, l_s: float) -> None:
    # England, Approved Document H, table 2: nominal half-round gutters, level, by EN 12056-3 (from memory).
    assert half_round_l_min(diameter_mm) / 60 == pytest.approx(l_s, rel=0.015)


def test_the_design_rain_of_the_standard() -> None:
    # EN 12056-3: 0.021 L/s per m², said to be 75 mm/h (read, secondary): what a gutter is held against.
    (roof,) = site_of().roof
    held = gutter(site_of(), roof)
    assert held.design_rain_mm_h == 75
    assert held.needed_l_min / 60 / roof.plan_area_m2 == pytest.approx(0.021, abs=0.0002)


def test_the_five_percent_rule_of_a_worked_example() -> None:
    # A maker's example of BS 8515: 130 m² · 0.8 · 0.9 · 1125 mm · 5 % = 5,265 L (read). More is wanted than that.
    roof = {"id": "r", "plan_area_m2": 130.0, "runoff_coefficient": 0.8, "tank": "box"}
    draw = {"id": "d", "tank": "box", "feed": "gravity", "litres_per_day": 400.0}
    check = design_check(site_of(roof=[roof], draw=[draw], design={"rain_mm": [1_125 / 12] * 12}), None)
    amounts = {one.method: one.amount for one in check.figures.simple}
    assert amounts["five_percent"] == pytest.approx(5_265, abs=0.5)
    assert amounts["area_times_rain"] == pytest.approx(130 * 1_125, abs=1)


def test_the_least_first_flush_of_the_texas_manual() -> None:
    # Texas Water Development Board, Texas Manual on Rainwater Harvesting, 3rd ed. 2005: 10 US gal on 1,000 ft² (read).
    assert pytest.approx(LEAST_FLUSH_MM, abs=0.005) == 10 * LITRES_PER_US_GALLON / (1_000 * 0.3048**2)


def test_a_supply_of_the_texas_leaflet() -> None:
    # Texas A&M extension leaflet: 2,000 ft², 1 in, 0.6 gal/ft²/in: 1,200 gal (read): the exact 1,247 less 4 %.
    exact = us_gallons(2_000 * 0.3048**2 * 25.4)
    assert 0.6 / 0.62338 * exact == pytest.approx(1_200, abs=0.2)


def test_a_year_of_real_rain_agrees_with_swmm(tmp_path: Path) -> None:
    # US EPA SWMM 5 (pyswmm, swmm-toolkit): another engine, the same roof, tank and draw over a whole year.
    record = schwingbach()
    start_ms = from_rfc3339("2015-01-01T00:00:00Z")
    hours = (from_rfc3339("2016-01-01T00:00:00Z") - start_ms) // HOUR_MS
    rain = record.window(start_ms, hours)
    rain[rain != rain] = 0.0  # a few unknown hours: dry to both engines
    case, year = Case((100.0,), 2.0, 1.0, 100.0), RainRecord(start_ms, rain, "2015")
    # The check runs its first year once before: SWMM starts with what stands in the tank after that.
    swmm = by_swmm(replace(case, start_m3=float(by_us(case, year).volume[-1])), year, tmp_path)
    roof = {"id": "r", "plan_area_m2": 100.0, "runoff_coefficient": 1.0, "wetting_loss_mm": 0.0, "tank": "box"}
    draw = {"id": "d", "tank": "box", "feed": "gravity", "litres_per_day": 100.0}
    site = site_of(roof=[roof], draw=[draw])
    years = Years([Year("2015", start_ms, rain)], "2015", [], 0, daily=False, stand_in=False, peak_factor=None)
    tally = sweep(site, plan_of(site), years, [Size("tank", "as it is", 2_000.0, 1.0)])
    ours = tally.ledger[:, :, 0].sum(axis=0) / 1000
    assert ours[INFLOW] == pytest.approx(swmm.inflow, rel=0.005)
    assert ours[SPILLED] == pytest.approx(swmm.overflow, rel=0.005)
    assert ours[DRAWN] == pytest.approx(swmm.use, rel=0.005)
