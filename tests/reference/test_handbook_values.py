"""Geometry, supply, sun and battery against handbooks, standards and reference libraries."""

from __future__ import annotations

import numpy as np
import pytest
from fluids.geometry import TANK

from forecast.model.geometry import geometry_of
from forecast.model.power import charge_share
from forecast.model.sun import extraterrestrial_mj_m2
from ingest.instants import from_rfc3339
from ingest.site import HorizontalCylinder, StrappingTable, VerticalCylinder
from ingest.units import LITRES_PER_US_GALLON, litres_from_rain, us_gallons

HORIZONTAL = HorizontalCylinder(
    id="h", shape="horizontal_cylinder", diameter_m=1.2, length_m=3.0, outlet_height_m=0.1, overflow_height_m=1.2
)


def test_a_horizontal_cylinder_agrees_with_fluids() -> None:
    ours, theirs = geometry_of(HORIZONTAL), TANK(D=1.2, L=3, horizontal=True)
    for level in np.linspace(0.001, 1.199, 200):
        volume = theirs.V_from_h(float(level))
        assert float(ours.volume_l(float(level))) / 1000 == pytest.approx(volume, rel=1e-6, abs=1e-7)
        assert float(ours.level_m(volume * 1000)) == pytest.approx(level, rel=1e-6, abs=1e-6)
    # Values of fluids 1.3: 3.39292 m³ in all, 0.66332 m³ at 0.3 m, 0.402936 m at 1 m³.
    assert ours.capacity_l == pytest.approx(3392.92, abs=0.01)
    assert float(ours.volume_l(0.3)) == pytest.approx(663.32, abs=0.01)
    assert float(ours.level_m(1000.0)) == pytest.approx(0.402936, abs=1e-6)


def test_a_vertical_cylinder_agrees_with_fluids() -> None:
    tank = VerticalCylinder(
        id="v", shape="vertical_cylinder", diameter_m=1.6, outlet_height_m=0.1, overflow_height_m=1.8
    )
    ours, theirs = geometry_of(tank), TANK(D=1.6, L=1.8, horizontal=False)
    for level in (0.0, 0.3, 0.9, 1.8):
        assert float(ours.volume_l(level)) / 1000 == pytest.approx(theirs.V_from_h(level), rel=1e-9)


def test_a_strapping_table_is_read_between_its_rows() -> None:
    tank = StrappingTable(
        id="s", shape="strapping_table", levels_m=[0.0, 1.0, 2.0], volumes_l=[0.0, 500.0, 800.0],
        outlet_height_m=0.5, overflow_height_m=1.5,
    )  # fmt: skip
    ours = geometry_of(tank)
    assert (ours.dead_l, ours.capacity_l) == (250.0, 650.0)
    assert float(ours.level_m(650.0)) == 1.5
    assert ours.surface_m2(1.5) == pytest.approx(0.3)


def test_one_millimetre_on_one_square_metre_is_one_litre() -> None:
    assert litres_from_rain(1.0, 1.0) == 1.0


def test_one_inch_on_one_square_foot_is_0_623_gallons() -> None:
    # Exact: 144 in³ of 231 in³ to the US gallon.
    litres = litres_from_rain(25.4, 0.3048**2)
    assert us_gallons(litres) == pytest.approx(144 / 231, rel=1e-12)
    assert pytest.approx(3.785411784, rel=1e-12) == LITRES_PER_US_GALLON


def test_a_months_supply_before_any_loss() -> None:
    # Common practice, no source: 63 m² and 380 mm are quoted as 24,000 L.
    litres = litres_from_rain(380.0, 63.0)
    assert litres == 23_940.0
    assert round(litres, -3) == 24_000.0


def test_extraterrestrial_radiation_of_fao_example_8() -> None:
    # Allen et al. 1998, FAO-56, example 8: 20° S on 3 September, 32.2 MJ m⁻² d⁻¹ (value from memory).
    # Local solar midnight is at 0 h UTC on the Greenwich meridian.
    hourly = extraterrestrial_mj_m2(-20.0, 0.0, from_rfc3339("2025-09-03T00:00:00Z"), 24)
    assert hourly.sum() == pytest.approx(32.2, abs=0.15)
    assert hourly.argmax() in (11, 12)


def test_the_sun_of_a_day_does_not_depend_on_how_its_hours_are_cut() -> None:
    at_sea = extraterrestrial_mj_m2(57.6, -3.9, from_rfc3339("2025-06-21T00:00:00Z"), 24).sum()
    far_west = extraterrestrial_mj_m2(57.6, -123.9, from_rfc3339("2025-06-21T08:00:00Z"), 24).sum()
    assert at_sea == pytest.approx(far_west, rel=0.002)


@pytest.mark.parametrize(("volts", "share"), [(12.65, 1.0), (12.45, 0.75), (12.24, 0.5), (12.06, 0.25), (11.89, 0.0)])
def test_lead_acid_state_of_charge(volts: float, share: float) -> None:
    # Common battery handbook table of open-circuit voltages.
    assert charge_share("flooded", volts / 12) == pytest.approx(share)
    assert charge_share("flooded", 2 * volts / 24) == pytest.approx(share)
