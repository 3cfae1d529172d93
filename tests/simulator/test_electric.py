"""The battery: rest voltages against handbook figures, charge counted, sag, charge limits, cut-off."""

from __future__ import annotations

import pytest

from ingest.site import Battery
from simulator.electric import Bank


def battery(**changes: object) -> Battery:
    plain = {
        "chemistry": "agm",
        "nominal_v": 12.0,
        "capacity_ah": 100.0,
        "low_v": 12.0,
        "cutoff_v": 11.6,
        "panel_w": 160.0,
    }
    return Battery.model_validate(plain | changes)


def run(bank: Bank, minutes: int, *, offered_w: float = 0.0, load_w: float = 0.0, aged: float = 0.0) -> Bank:
    for _ in range(minutes):
        bank.step(offered_w, load_w, 20.0, aged)
    return bank


@pytest.mark.parametrize(("soc", "volts"), [(1.0, 12.65), (0.75, 12.45), (0.5, 12.24), (0.25, 12.06), (0.0, 11.89)])
def test_lead_rests_where_the_handbook_table_says(soc: float, volts: float) -> None:
    """Common battery handbook table of open-circuit voltages (read)."""
    assert Bank(battery(), soc).volts == pytest.approx(volts, abs=0.11)


@pytest.mark.parametrize(("soc", "volts"), [(0.9, 13.3), (0.3, 13.0), (0.09, 12.0)])
def test_lithium_rests_on_a_plateau_with_a_cliff(soc: float, volts: float) -> None:
    """LiFePO₄, 12 V: 13.3, 13.0, 12.0 V at 90, 30, 9 % (memory; makers differ by some tenths)."""
    assert Bank(battery(chemistry="lifepo4"), soc).volts == pytest.approx(volts, abs=0.7)


def test_a_larger_bank_is_a_row_of_blocks() -> None:
    assert Bank(battery(nominal_v=48.0, low_v=48.0, cutoff_v=46.4), 0.5).volts == pytest.approx(4 * 12.24, abs=0.1)


def test_ampere_hours_are_counted() -> None:
    bank = run(Bank(battery(), 0.9), 600, load_w=60)
    # 60 W at some 12.2 V for ten hours: 49 Ah of 100.
    assert bank.soc == pytest.approx(0.9 - 0.49, abs=0.015)
    assert bank.amps == pytest.approx(-60 / bank.volts, rel=0.01)


def test_less_charge_goes_in_than_was_sent() -> None:
    bank = run(Bank(battery(), 0.4), 300, offered_w=60)
    sent_ah = 60 / 12.8 * 5
    assert 0.9 * sent_ah < (bank.soc - 0.4) * 100 < sent_ah


def test_terminals_sag_under_load_and_recover() -> None:
    bank = Bank(battery(), 0.6)
    rest = bank.volts
    loaded = run(bank, 60, load_w=90).volts
    recovered = run(bank, 240).volts
    assert 0.1 < rest - loaded < 0.4
    assert loaded < recovered < rest


def test_charging_stops_at_the_absorption_voltage_then_floats() -> None:
    bank = Bank(battery(), 0.85)
    highest = max(run(bank, 1, offered_w=140).volts for _ in range(12 * 60))
    assert highest == pytest.approx(14.4, abs=0.05)
    assert bank.soc > 0.99
    assert run(bank, 120, offered_w=140).volts == pytest.approx(13.6, abs=0.1)
    assert bank.soc <= 1


def test_the_pump_is_cut_off_and_comes_back_when_well() -> None:
    bank = run(Bank(battery(), 0.10), 120, load_w=93)
    assert not bank.connected
    assert run(bank, 30).volts > 11.6
    assert not bank.connected
    assert run(bank, 600, offered_w=120).connected


def test_a_flat_battery_gives_nothing() -> None:
    bank = run(Bank(battery(), 0.01), 600, load_w=50)
    assert bank.soc == 0
    assert bank.amps == 0


def test_an_aged_battery_falls_faster_and_sags_deeper() -> None:
    new, old = Bank(battery(), 0.9), Bank(battery(), 0.9)
    run(new, 180, load_w=90)
    run(old, 180, load_w=90, aged=0.5)
    assert 0.9 - old.soc == pytest.approx(2 * (0.9 - new.soc), rel=0.05)
    assert old.volts < new.volts - 0.15
