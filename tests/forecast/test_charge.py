"""The battery's charge now, and the hours of pumping that it allows."""

from __future__ import annotations

import numpy as np
import pytest

from forecast.charge import measured_charge, pumping_hours
from forecast.facts import BatteryNow
from forecast.model.plan import plan_of
from forecast.model.power import haste, power_of, warmth
from ingest.site import Battery, Site


def battery_of(site: Site) -> Battery:
    assert site.battery is not None
    return site.battery


def shares(battery: Battery, volts: float, at_rest: bool, balance: float) -> tuple[float, float]:
    full = np.full(4000, 1200.0)
    found = measured_charge(battery, BatteryNow(0, volts, at_rest), balance * full, 1200.0, np.random.default_rng(1))
    return float(np.mean(found)) / 1200.0, float(np.std(found)) / 1200.0


def test_a_resting_voltage_outweighs_the_balance(skerrow_head: Site) -> None:
    mean, sd = shares(battery_of(skerrow_head), 12.25, at_rest=True, balance=0.8)
    assert mean == pytest.approx(0.5, abs=0.05)
    assert sd < 0.06


def test_a_voltage_under_load_alone_never_decides(skerrow_head: Site) -> None:
    battery = battery_of(skerrow_head)
    # 11.8 V with the pump running would read as empty; the balance says 80 %.
    mean, sd = shares(battery, 11.8, at_rest=False, balance=0.8)
    assert 0.5 < mean < 0.75
    assert sd > 0.1


def test_a_flat_curve_leaves_more_to_the_balance(skerrow_head: Site) -> None:
    lithium = battery_of(skerrow_head).model_copy(update={"chemistry": "lifepo4"})
    mean, _ = shares(lithium, 13.0, at_rest=True, balance=0.8)
    assert 0.35 < mean < 0.6


def test_hours_of_pumping_are_what_stands_above_the_cutoff_and_what_the_sun_brings(skerrow_head: Site) -> None:
    plan = plan_of(skerrow_head)
    sun = np.zeros((72, 1))
    sun[12], sun[36] = 300.0, 300.0
    hours = pumping_hours(plan, np.array([plan.cutoff_wh + 200.0]), sun)[:, 0]
    gain = plan.charge_efficiency * 300.0
    spare = [
        200.0 + gain - 24 * plan.standing_w,
        200.0 + 2 * gain - 48 * plan.standing_w,
        200.0 + 2 * gain - 72 * plan.standing_w,
    ]
    assert hours == pytest.approx(np.array(spare) / plan.pump_w)
    assert pumping_hours(plan, np.array([0.0]), np.zeros((24, 1)))[0, 0] == 0.0


def test_haste_cold_and_standing_take_their_share(skerrow_head: Site) -> None:
    battery = battery_of(skerrow_head)
    # 90 W from a bank whose 20-hour rate is 60 W: 1.5 to the power of Peukert's exponent less one.
    assert haste(battery, 90.0) == pytest.approx(1.5**0.10)
    assert haste(battery, 10.0) == 1.0
    assert warmth("flooded", 0.0) == pytest.approx(0.8)
    warm, cold = power_of(skerrow_head), power_of(skerrow_head, 0.0)
    assert cold.battery_wh == pytest.approx(0.8 * warm.battery_wh)
    # 3 % of 1200 Wh in a month of rest.
    assert warm.standing_w - battery.standing_w == pytest.approx(0.03 * 1200 / (30.4 * 24))
