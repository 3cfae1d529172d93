"""From rain to the tank: nothing lost unaccounted, the first water flushed, peaks over the gutter."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.instants import MINUTE_MS
from ingest.site import FirstFlush, Roof
from simulator.faults import Fault
from simulator.roofs import RoofRun
from tests.simulator.handmade import MAY_DAY_MS, still


def roof(**changes: object) -> Roof:
    plain = {"id": "r", "plan_area_m2": 100.0, "runoff_coefficient": 0.9, "wetting_loss_mm": 0.5, "tank": "t"}
    return Roof.model_validate(plain | changes)


@given(
    rain=st.dictionaries(st.integers(0, 299), st.floats(0.001, 5), max_size=60),
    wetting=st.floats(0, 2),
    gutter=st.none() | st.floats(1, 300),
    chamber_l=st.floats(0, 200),
    drip=st.floats(0, 30),
    sun=st.floats(0, 900),
    blocked=st.floats(0, 1),
)
def test_no_drop_is_lost_or_made(
    rain: dict[int, float],
    wetting: float,
    gutter: float | None,
    chamber_l: float,
    drip: float,
    sun: float,
    blocked: float,
) -> None:
    chamber = FirstFlush(volume_l=chamber_l, drip_l_h=drip)
    run = RoofRun(
        roof(wetting_loss_mm=wetting, gutter_capacity_l_min=gutter, first_flush=chamber),
        [Fault("gutter-blocked", "r", MAY_DAY_MS + 100 * MINUTE_MS, amount=blocked)],
    )
    trace = run.run(still(300, rain, sun_w_m2=sun), emptied={50})
    parts = (trace.dried, trace.splashed, trace.over_gutter, trace.first_flush, trace.inflow)
    assert all((part >= 0).all() for part in parts)
    accounted = sum(part.sum() for part in parts) + run.wet_mm * 100 + run.on_way_l
    assert accounted == pytest.approx(sum(rain.values()) * 100, abs=1e-9)
    assert run.wet_mm <= wetting + 1e-12
    assert trace.chamber.max() <= chamber_l + 1e-12


def test_a_dry_roof_holds_back_its_wetting_loss() -> None:
    trace = RoofRun(roof(), []).run(still(120, dict.fromkeys(range(60), 0.2)), set())
    # 12 mm on 100 m², 0.5 mm kept, 90 % of the rest; drying of a sunless hour or two is small.
    assert trace.inflow.sum() == pytest.approx((12 - 0.5) * 100 * 0.9, rel=0.005)


def test_a_wet_roof_holds_back_less_until_the_sun_has_dried_it() -> None:
    rain = {0: 3.0, 60: 3.0, 1000: 3.0}
    trace = RoofRun(roof(), []).run(still(1100, rain, sun_w_m2=500), set())
    first, soon, later = (trace.inflow[start : start + 50].sum() for start in (0, 60, 1000))
    assert first == pytest.approx(later, rel=1e-3)
    assert soon > first + 10


def test_runoff_lags_by_some_minutes() -> None:
    trace = RoofRun(roof(wetting_loss_mm=0), []).run(still(60, {10: 1.0}), set())
    middle = (trace.inflow * np.arange(60)).sum() / trace.inflow.sum()
    assert trace.inflow[:10].sum() == 0
    assert 11 < middle < 15


def test_a_cloudburst_overflows_a_gutter_that_its_hourly_mean_would_not() -> None:
    """20 mm in ten minutes on 100 m²: 180 L/min off the roof; the mean of the hour is 30 L/min."""
    burst = RoofRun(roof(gutter_capacity_l_min=60.0, wetting_loss_mm=0), [])
    steady = RoofRun(roof(gutter_capacity_l_min=60.0, wetting_loss_mm=0), [])
    over = burst.run(still(90, dict.fromkeys(range(10), 2.0)), set()).over_gutter
    assert over.sum() > 700
    assert steady.run(still(90, dict.fromkeys(range(60), 20 / 60)), set()).over_gutter.sum() == 0


def test_the_first_water_goes_to_the_chamber_and_a_partial_fill_stays() -> None:
    run = RoofRun(roof(wetting_loss_mm=0, first_flush=FirstFlush(volume_l=60)), [])
    trace = run.run(still(300, {0: 0.4, 120: 1.0}), set())
    # 36 L, then 90 L: the first all flushed, of the second what the chamber had left.
    assert trace.inflow[:120].sum() == 0
    assert trace.first_flush.sum() == pytest.approx(60)
    assert trace.inflow.sum() == pytest.approx(126 - 60, rel=1e-6)


def test_a_dripping_chamber_empties_by_and_by() -> None:
    run = RoofRun(roof(wetting_loss_mm=0, first_flush=FirstFlush(volume_l=60, drip_l_h=2.0)), [])
    trace = run.run(still(11 * 60, {0: 5.0}), set())
    assert trace.chamber[60] == pytest.approx(60 - 2 * 40 / 60, abs=1)
    assert trace.chamber[-1] == pytest.approx(trace.chamber[60] - 2 * 599 / 60, abs=0.01)


def test_a_chamber_empties_itself_after_its_dry_hours() -> None:
    run = RoofRun(roof(first_flush=FirstFlush(volume_l=60, empties_after_dry_h=6.0)), [])
    trace = run.run(still(8 * 60, {0: 5.0}), set())
    assert trace.chamber[6 * 60 - 1] == pytest.approx(60)
    assert trace.chamber[6 * 60] == 0


def test_a_chamber_without_drip_waits_for_a_hand() -> None:
    chamber = FirstFlush(volume_l=60)
    weather = still(600, {0: 5.0, 400: 5.0})
    left = RoofRun(roof(first_flush=chamber), []).run(weather, set())
    emptied = RoofRun(roof(first_flush=chamber), []).run(weather, {300})
    assert left.inflow.sum() - emptied.inflow.sum() == pytest.approx(60)
    assert emptied.chamber[300] == 0
