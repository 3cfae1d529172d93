"""A battery by its chemistry: voltage against state of charge, and what it loses on the way.

A voltage under load or on charge says little; callers pick one at rest.
"""

from __future__ import annotations

from typing import Final, Literal, NamedTuple

import numpy as np

from ingest.site import Battery, Site

Chemistry = Literal["flooded", "agm", "gel", "lifepo4"]


class Cell(NamedTuple):
    """What a chemistry is like. All but the flooded resting voltages are from memory of makers' tables.

    shares, volts    resting voltage of a 12 V bank [V] by share of charge, empty to full
    sag              voltage that a 12 V bank of 1 Ah loses for each ampere drawn: 40 mΩ at 100 Ah for
                     lead-acid, 10 mΩ for LiFePO4, polarisation in [V Ah/A]
    peukert          exponent of Peukert's law; 1: the rate does not matter
    efficiency       share of the energy put in that comes out again, at the 20-hour rate
    self_discharge   share of the capacity lost in a month of rest
    cold             share of the capacity lost with each kelvin below 25 °C
    """

    shares: tuple[float, ...]
    volts: tuple[float, ...]
    sag: float
    peukert: float
    efficiency: float
    self_discharge: float
    cold: float


_QUARTERS: Final = (0.0, 0.25, 0.5, 0.75, 1.0)
#: Common battery handbook table of open-circuit voltages.
_FLOODED: Final = (11.89, 12.06, 12.24, 12.45, 12.65)
_SEALED: Final = (11.80, 12.00, 12.25, 12.55, 12.85)
CELLS: Final[dict[Chemistry, Cell]] = {
    "flooded": Cell(_QUARTERS, _FLOODED, 4.0, 1.25, 0.80, 0.05, 0.008),
    "agm": Cell(_QUARTERS, _SEALED, 4.0, 1.10, 0.88, 0.03, 0.008),
    "gel": Cell(_QUARTERS, _SEALED, 4.0, 1.15, 0.88, 0.03, 0.008),
    "lifepo4": Cell((0.0, 0.09, 0.3, 0.9, 1.0), (10.0, 12.0, 13.0, 13.3, 13.6), 1.0, 1.03, 0.95, 0.03, 0.004),
}

#: The rate at which capacities are given, and the temperature. [h], [°C]
RATE_H: Final = 20.0
RATED_C: Final = 25.0
#: A battery never has less of its capacity for cold than this, nor more for warmth.
_LEAST_WARM, _MOST_WARM = 0.3, 1.05
_MONTH_H: Final = 30.4 * 24
#: A charge is never known better than this. [share]
_LEAST_SD: Final = 0.02
#: Error of a resting voltage of a 12 V bank, incomplete rest in. [V] (common practice, no source)
REST_ERROR_V: Final = 0.05


class Power(NamedTuple):
    """Battery, pump and loads of a site as the balance needs them; without a battery: infinite, zero.

    pump_w        what the pump takes out of the battery's 20-hour capacity while it runs
    battery_wh, cutoff_wh   energy when full, at this temperature; at the pump's cut-off
    charge_efficiency       share of the panel's energy that the battery keeps
    standing_w    load that never stops, self-discharge in
    """

    pump_w: float
    battery_wh: float
    cutoff_wh: float
    charge_efficiency: float
    standing_w: float


def power_of(site: Site, battery_c: float = RATED_C) -> Power:
    """The power side of a site, its battery at `battery_c`. [°C]"""
    battery = site.battery
    pump_w = site.pump.power_w if site.pump else 0.0
    if battery is None:
        return Power(pump_w, np.inf, 0.0, 1.0, 0.0)
    cell = CELLS[battery.chemistry]
    rated_wh = battery.capacity_ah * battery.nominal_v
    full_wh = rated_wh * warmth(battery.chemistry, battery_c)
    return Power(
        pump_w=pump_w * haste(battery, pump_w),
        battery_wh=full_wh,
        cutoff_wh=cutoff_share(battery, pump_w) * full_wh,
        charge_efficiency=cell.efficiency,
        standing_w=battery.standing_w + rated_wh * cell.self_discharge / _MONTH_H,
    )


def charge_share(chemistry: Chemistry, volts_per_nominal: float) -> float:
    """State of charge from the resting voltage, as a share of capacity [1]; the tables of CELLS, linear in between.

    volts_per_nominal  resting voltage over nominal voltage, so that 24 V banks use the same table
    """
    cell = CELLS[chemistry]
    return float(np.interp(volts_per_nominal * 12.0, cell.volts, cell.shares))


def charge_share_sd(chemistry: Chemistry, volts_per_nominal: float) -> float:
    """Standard deviation of `charge_share`. [1]

    Half of what an error of REST_ERROR_V either way makes of it (first-order propagation of errors):
    the flatter the chemistry's curve, the less a voltage says.
    """
    error = REST_ERROR_V / 12.0
    low, high = (charge_share(chemistry, volts_per_nominal + sign * error) for sign in (-1, 1))
    return max(_LEAST_SD, (high - low) / 2)


def resting_voltage(chemistry: Chemistry, share: float, nominal_v: float) -> float:
    """Resting voltage at a state of charge; the tables of CELLS, linear in between. [1], [V] → [V]"""
    cell = CELLS[chemistry]
    return float(np.interp(share, cell.shares, cell.volts)) * nominal_v / 12.0


def cutoff_share(battery: Battery, load_w: float) -> float:
    """State of charge at which the controller cuts off while a load runs, as a share of capacity. [W] → [1]

    Under load I the bank stands lower than at rest by sag · I/C (Ohm's law for its inner resistance, of
    which CELLS says the size), so the cut-off comes before it is empty.
    """
    amperes = load_w / battery.nominal_v
    sag_per_nominal = CELLS[battery.chemistry].sag / battery.capacity_ah * amperes / 12.0
    return charge_share(battery.chemistry, battery.cutoff_v / battery.nominal_v + sag_per_nominal)


def peukert_hours(capacity_ah: float, amperes: float, exponent: float) -> float:
    """Hours that a full battery gives a steady current: H·(C/(I·H))^k with C at the H = 20 h rate. [h]

    Peukert 1897, in the form that refers to a rated time (common practice).
    """
    return float(RATE_H * (capacity_ah / (amperes * RATE_H)) ** exponent)


def haste(battery: Battery, load_w: float) -> float:
    """How much more of the 20-hour capacity a load takes than its own energy; at least 1. [W] → [1]

    (I·H/C)^(k − 1), from Peukert's law as in `peukert_hours`.
    """
    rated_w = battery.capacity_ah * battery.nominal_v / RATE_H
    return float(max(1.0, load_w / rated_w) ** (CELLS[battery.chemistry].peukert - 1.0))


def warmth(chemistry: Chemistry, battery_c: float) -> float:
    """Share of its rated capacity that a battery has at a temperature. [°C] → [1]

    Linear below and above 25 °C (makers' tables, from memory), within bounds of ours.
    """
    return float(np.clip(1.0 + CELLS[chemistry].cold * (battery_c - RATED_C), _LEAST_WARM, _MOST_WARM))
