"""Water is neither made nor lost, in any hour, at any site."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from forecast.model.balance import BACKUP, DRAWN, EVAPORATED, INFLOW, LEAK, LEDGER, SPILLED, Drivers, blank_state, run
from forecast.model.plan import NOWHERE, Plan, plan_of
from forecast.model.wetness import wet_roof
from ingest.site import Site
from tests.forecast.model.site_files import sites

HOURS = 72
MEMBERS = 3


def drivers_of(plan: Plan, seed: int) -> Drivers:
    """Cloudbursts and droughts, thirsty people, leaks, dull days and chambers emptied now and then."""
    rng = np.random.default_rng(seed)
    roofs, tanks, draws = len(plan.roof_tank), len(plan.dead_l), len(plan.draw_tank)
    return Drivers(
        rain_mm=rng.gamma(0.1, 20, (HOURS, MEMBERS)),
        drying_mm=rng.random(HOURS) * 0.4,
        sun_wh=rng.random((HOURS, MEMBERS)) * 60,
        coefficient=rng.uniform(0.3, 1.0, (roofs, MEMBERS)),
        leak_l_h=rng.gamma(0.2, 5, (tanks, MEMBERS)),
        demand_l=rng.gamma(0.3, 60, (HOURS, draws)),
        draw_day=np.arange(HOURS) // 24,
        draw_factor=rng.gamma(4, 0.25, (HOURS // 24, draws, MEMBERS)),
        emptied=(rng.random((HOURS, roofs)) < 0.05).astype(float),
    )


@settings(max_examples=150)
@given(site=sites(), seed=st.integers(0, 2**32), fill=st.floats(0, 1), spill_first=st.booleans())
def test_water_is_conserved_in_every_hour(site: Site, seed: int, fill: float, spill_first: bool) -> None:
    plan = plan_of(site)
    drivers = drivers_of(plan, seed)
    charge = np.minimum(plan.battery_wh, plan.cutoff_wh + 40.0)
    state = blank_state(plan, MEMBERS, volume_l=(fill * plan.capacity_l)[:, None], charge_wh=charge)
    before = state.volume_l.sum(axis=0)
    trace = run(plan, drivers, state, ledger=True, spill_first=spill_first)

    came = trace.ledger[INFLOW] + trace.ledger[BACKUP]
    went = sum(trace.ledger[column] for column in (DRAWN, SPILLED, LEAK, EVAPORATED))
    change = np.diff(np.vstack([before[None], trace.volume_l.sum(axis=1)]), axis=0)
    # 1e-9 of the inflow of the hour; a dry hour may be out by 1e-9 L.
    assert (np.abs(change - (came - went)) <= 1e-9 * np.maximum(1.0, came)).all()
    assert (trace.ledger >= 0).all()
    assert (trace.volume_l >= 0).all()
    assert (trace.volume_l <= plan.capacity_l[:, None] * (1 + 1e-12)).all()
    leaves = trace.spill_l[plan.tank_next == NOWHERE].sum(axis=0)
    np.testing.assert_allclose(leaves, trace.ledger[SPILLED].sum(axis=0), rtol=1e-9, atol=1e-9)


@settings(max_examples=60)
@given(site=sites(), seed=st.integers(0, 2**32))
def test_what_runs_off_the_roofs_is_lost_flushed_or_stored(site: Site, seed: int) -> None:
    plan = plan_of(site)
    drivers = drivers_of(plan, seed)
    state = blank_state(plan, MEMBERS)
    trace = run(plan, drivers, state, ledger=True)
    wet = np.zeros((len(plan.roof_tank), MEMBERS))
    for hour in range(HOURS):
        fell = drivers.rain_mm[hour] * plan.open_m2.sum()
        for roof in range(len(plan.roof_tank)):
            for member in range(MEMBERS):
                runoff_mm, wet[roof, member] = wet_roof(
                    drivers.rain_mm[hour, member],
                    wet[roof, member],
                    plan.wetting_loss_mm[roof],
                    drivers.drying_mm[hour],
                )
                fell[member] += runoff_mm * plan.roof_area_m2[roof] * drivers.coefficient[roof, member]
        named = sum(trace.ledger[LEDGER.index(name), hour] for name in ("gutter_loss_l", "first_flush_l", "inflow_l"))
        assert (np.abs(fell - named) <= 1e-9 * np.maximum(1.0, fell)).all()
    np.testing.assert_allclose(state.wet_mm, wet, atol=1e-12)


@settings(max_examples=60)
@given(site=sites(), seed=st.integers(0, 2**32))
def test_the_pump_takes_no_more_than_the_battery_has_above_its_cutoff(site: Site, seed: int) -> None:
    plan = plan_of(site)
    charge = np.minimum(plan.battery_wh, plan.cutoff_wh + 40.0)
    trace = run(
        plan, drivers_of(plan, seed), blank_state(plan, MEMBERS, volume_l=plan.capacity_l[:, None], charge_wh=charge)
    )
    before = np.vstack([np.full(MEMBERS, charge), trace.charge_wh[:-1]])
    # Below the cut-off only what never stops goes on.
    least = np.minimum(before, plan.cutoff_wh) - plan.standing_w
    assert (trace.charge_wh >= np.maximum(0.0, least) - 1e-6).all()
    assert (trace.charge_wh <= plan.battery_wh).all()
