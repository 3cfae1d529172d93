"""The balance: conserved water, the oracle, and hours that can be checked by hand."""

from __future__ import annotations

import os
import subprocess
import sys

import numpy as np
import pytest

from forecast.model.balance import LEDGER, Drivers, State, Trace, blank_state, run
from forecast.model.plan import Plan, plan_of
from ingest.site import Site
from ingest.sitefile import parse_site

ONE_TANK = {
    "id": "one",
    "name": "One roof, one tank",
    "latitude": 50.0,
    "longitude": 0.0,
    "timezone": "UTC",
    "roof": [{"id": "roof", "plan_area_m2": 100.0, "runoff_coefficient": 0.9, "wetting_loss_mm": 0.0, "tank": "tank"}],
    "tank": [
        {
            "id": "tank",
            "shape": "rectangular",
            "length_m": 1.0,
            "width_m": 1.0,
            "outlet_height_m": 0.1,
            "overflow_height_m": 1.1,
        }
    ],
    "draw": [{"id": "tap", "tank": "tank", "feed": "gravity", "litres_per_day": 24.0}],
}


def drivers_of(
    plan: Plan, rain_mm: list[float], demand_l: float = 1.0, members: int = 1, leak_l_h: float = 0.0
) -> Drivers:
    hours, roofs, tanks, draws = len(rain_mm), len(plan.roof_tank), len(plan.dead_l), len(plan.draw_tank)
    return Drivers(
        rain_mm=np.repeat(np.array(rain_mm)[:, None], members, axis=1),
        drying_mm=np.zeros(hours),
        sun_wh=np.zeros((hours, members)),
        coefficient=np.full((roofs, members), 0.9),
        leak_l_h=np.full((tanks, members), leak_l_h),
        demand_l=np.full((hours, draws), demand_l),
        draw_day=np.zeros(hours, dtype=np.int64),
        draw_factor=np.ones((1, draws, members)),
    )


def simulate(
    site: dict[str, object], rain_mm: list[float], volume_l: float, *, spill_first: bool = False, **drivers: float
) -> tuple[Trace, State]:
    plan = plan_of(parse_site(site, "test"))
    state = blank_state(plan, 1, volume_l=volume_l)
    trace = run(plan, drivers_of(plan, rain_mm, **drivers), state, ledger=True, spill_first=spill_first)  # type: ignore[arg-type]
    return trace, state


def column(trace: Trace, name: str) -> list[float]:
    return [float(value) for value in trace.ledger[LEDGER.index(name), :, 0]]


def test_an_hour_of_rain_by_hand() -> None:
    # 5 mm on 100 m² at 0.9 is 450 L; 1 L is drawn.
    trace, _ = simulate(ONE_TANK, [5.0], 200.0)
    assert trace.volume_l[0, 0, 0] == pytest.approx(200 + 450 - 1)
    assert column(trace, "inflow_l") == pytest.approx([450.0])


def test_what_exceeds_the_brim_is_spilled_and_dated_within_the_hour() -> None:
    # 700 L + 450 L − 1 L = 1149 L, of which 1100 L stay; the 400 L of room are 400/449 of the rise.
    trace, _ = simulate(ONE_TANK, [0.0, 5.0], 701.0)
    assert column(trace, "spilled_l") == pytest.approx([0.0, 49.0])
    assert trace.overflows_h[0, 0] == pytest.approx(1 + 400 / 449)


def test_yield_after_spillage_is_the_pessimistic_bound() -> None:
    before, _ = simulate(ONE_TANK, [5.0], 1100.0, demand_l=50.0)
    after, _ = simulate(ONE_TANK, [5.0], 1100.0, demand_l=50.0, spill_first=True)
    assert column(before, "spilled_l") == pytest.approx([400.0])
    assert column(after, "spilled_l") == pytest.approx([450.0])
    assert after.volume_l[0, 0, 0] < before.volume_l[0, 0, 0]


def test_the_tap_stops_at_dead_storage_and_the_moment_is_interpolated() -> None:
    # 112.5 L are 12.5 L above the outlet: at 5 L an hour that is 2.5 h.
    trace, _ = simulate(ONE_TANK, [0.0] * 4, 112.5, demand_l=5.0)
    assert trace.runs_out_h[0, 0] == pytest.approx(2.5)
    assert trace.volume_l[:, 0, 0] == pytest.approx([107.5, 102.5, 100.0, 100.0])


def test_a_tank_at_dead_storage_has_run_out_now() -> None:
    trace, _ = simulate(ONE_TANK, [0.0], 100.0)
    assert trace.runs_out_h[0, 0] == 0.0


def test_a_leak_takes_the_tank_below_its_outlet() -> None:
    trace, _ = simulate(ONE_TANK, [0.0] * 3, 105.0, demand_l=0.0, leak_l_h=10.0)
    assert trace.volume_l[:, 0, 0] == pytest.approx([95.0, 85.0, 75.0])
    assert trace.runs_out_h[0, 0] == pytest.approx(0.5)


def test_the_first_flush_fills_once_stays_and_drips() -> None:
    site = {**ONE_TANK, "roof": [{**ONE_TANK["roof"][0], "first_flush": {"volume_l": 60.0, "drip_l_h": 2.0}}]}  # type: ignore[index]
    trace, _ = simulate(site, [0.5, 0.5, 0.0, 0.0, 1.0], 200.0)
    # 45 L are taken and 2 drip; then 17 L fill it and 2 drip; 4 more drip; so 6 L of the last 90 L are taken.
    assert column(trace, "first_flush_l") == pytest.approx([45.0, 17.0, 0.0, 0.0, 6.0])


def test_a_self_emptying_first_flush_is_empty_after_its_dry_hours() -> None:
    flush = {"volume_l": 60.0, "empties_after_dry_h": 2.0}
    site = {**ONE_TANK, "roof": [{**ONE_TANK["roof"][0], "first_flush": flush}]}  # type: ignore[index]
    trace, _ = simulate(site, [1.0, 0.0, 1.0, 0.0, 0.0, 1.0], 200.0)
    assert column(trace, "first_flush_l") == pytest.approx([60.0, 0.0, 0.0, 0.0, 0.0, 60.0])


def test_the_gutter_passes_what_it_can_and_the_roof_holds_its_wetting() -> None:
    roof = {**ONE_TANK["roof"][0], "gutter_capacity_l_min": 5.0, "wetting_loss_mm": 1.0}  # type: ignore[index]
    trace, _ = simulate({**ONE_TANK, "roof": [roof]}, [0.6, 10.4], 100.0)
    # 11 mm less 1 mm of wetting are 900 L, of which 300 L pass in the hour.
    assert column(trace, "inflow_l") == pytest.approx([0.0, 300.0])
    assert column(trace, "gutter_loss_l") == pytest.approx([0.0, 600.0])


def test_irrigation_stops_at_its_reserve_and_taps_go_on() -> None:
    draws = [
        {"id": "tap", "tank": "tank", "feed": "gravity", "litres_per_day": 1.0},
        {"id": "beds", "tank": "tank", "feed": "pumped", "litres_per_day": 1.0, "reserve_l": 300.0},
    ]
    site = {**ONE_TANK, "draw": draws, "pump": {"power_w": 50.0, "flow_l_min": 10.0}}
    trace, _ = simulate(site, [0.0] * 4, 530.0, demand_l=40.0)
    # Dead storage and reserve are 400 L: in the second hour the beds get 10 L, then nothing.
    assert column(trace, "drawn_l") == pytest.approx([80.0, 50.0, 40.0, 40.0])
    assert trace.runs_out_h[0, 0] == np.inf


def test_the_pump_stops_when_the_battery_is_at_its_cutoff(skerrow_head: Site) -> None:
    plan = plan_of(skerrow_head)
    state = blank_state(plan, 1, volume_l=3000.0, charge_wh=plan.cutoff_wh + 55.0)
    drivers = drivers_of(plan, [0.0] * 6, demand_l=400.0)
    trace = run(plan, drivers, state, ledger=True)
    # 400 L at 840 L an hour, and what never stops, are some 48 Wh an hour: 55 Wh last 1.15 h.
    pump_wh = plan.pump_w * 400 / 840
    assert trace.cutoff_h[0] == pytest.approx(55.0 / (plan.standing_w + pump_wh))
    # In the second hour the pump gets what is left above the cut-off, and then nothing.
    left_wh = 55.0 - 2 * plan.standing_w - pump_wh
    assert 0 < left_wh < pump_wh
    assert column(trace, "drawn_l")[:3] == pytest.approx([800.0, 400.0 + left_wh / plan.pump_w * 840, 400.0])
    assert trace.charge_wh[1, 0] == pytest.approx(plan.cutoff_wh)


def test_the_upper_tank_spills_into_the_lower_and_only_the_last_spill_leaves(tarn_orchard: Site) -> None:
    plan = plan_of(tarn_orchard)
    state = blank_state(plan, 1, volume_l=np.array([[1150.0], [500.0]]))
    trace = run(plan, drivers_of(plan, [10.0], demand_l=0.0), state, ledger=True)
    inflow = 10.0 * 48 * 0.9 - 0.3 * 48 * 0.9 - 25.0
    assert trace.spill_l[0, 0] == pytest.approx(inflow - 50.0)
    assert state.volume_l[:, 0] == pytest.approx([1200.0, 500.0 + inflow - 50.0])
    assert column(trace, "spilled_l") == [0.0]
    assert trace.charge_wh.shape == (0, 1)  # no battery is there to be traced
    assert trace.cutoff_h[0] == np.inf


PLAIN = """
import sys, numpy as np, pathlib
from ingest.sitefile import load_sites
from forecast.model.balance import Drivers, blank_state, run
from forecast.model.plan import plan_of
out = {}
for name, site in load_sites(pathlib.Path("deploy/sites")).items():
    plan = plan_of(site)
    rng = np.random.default_rng(7)
    H, M, R, T, D = 120, 3, len(plan.roof_tank), len(plan.dead_l), len(plan.draw_tank)
    drivers = Drivers(rng.gamma(0.1, 8, (H, M)), np.full(H, 0.02), rng.random((H, M)) * 40,
        rng.uniform(0.6, 1, (R, M)), np.full((T, M), 0.3), rng.random((H, D)) * 20,
        np.arange(H) // 24, rng.random((5, D, M)) * 2)
    state = blank_state(plan, M, volume_l=600.0, charge_wh=min(plan.battery_wh, 600.0))
    trace = run(plan, drivers, state, ledger=True)
    for field, values in [*trace._asdict().items(), *state._asdict().items()]:
        out[f"{name}/{field}"] = values
np.savez(sys.argv[1], **out)
"""


def test_the_compiled_kernel_does_what_its_plain_text_says(tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = tmp_path_factory.mktemp("oracle")
    for jit_off in ("0", "1"):
        file = folder / f"{jit_off}.npz"
        subprocess.run(
            [sys.executable, "-c", PLAIN, str(file)], check=True, env={**os.environ, "NUMBA_DISABLE_JIT": jit_off}
        )
    compiled, plain = (np.load(folder / f"{jit_off}.npz") for jit_off in ("0", "1"))
    assert set(compiled.files) == set(plain.files)
    for name in compiled.files:
        np.testing.assert_allclose(compiled[name], plain[name], rtol=1e-12, atol=1e-9, err_msg=name)
