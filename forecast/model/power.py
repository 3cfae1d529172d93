"""A battery's state of charge from its resting voltage.

A voltage under load or on charge says little; callers pick one at rest.
"""

from __future__ import annotations

from typing import Final, Literal

import numpy as np

from ingest.site import Battery

Chemistry = Literal["flooded", "agm", "gel", "lifepo4"]

#: Resting voltage of a 12 V bank [V] by share of charge, empty to full.
#: Flooded lead-acid: common battery handbook table. The others: from memory of makers' tables.
_QUARTERS: Final = (0.0, 0.25, 0.5, 0.75, 1.0)
_FLOODED: Final = (_QUARTERS, (11.89, 12.06, 12.24, 12.45, 12.65))
_SEALED: Final = (_QUARTERS, (11.80, 12.00, 12.25, 12.55, 12.85))
_LIFEPO4: Final = ((0.0, 0.09, 0.3, 0.9, 1.0), (10.0, 12.0, 13.0, 13.3, 13.6))
#: Voltage that a 12 V bank of 1 Ah loses for each ampere drawn, from memory: 40 mΩ at 100 Ah for
#: lead-acid, 10 mΩ for LiFePO4, polarisation in. [V Ah/A]
_SAG: Final[dict[str, float]] = {"flooded": 4.0, "agm": 4.0, "gel": 4.0, "lifepo4": 1.0}

_TABLES: Final[dict[Chemistry, tuple[tuple[float, ...], tuple[float, ...]]]] = {
    "flooded": _FLOODED,
    "agm": _SEALED,
    "gel": _SEALED,
    "lifepo4": _LIFEPO4,
}


def charge_share(chemistry: Chemistry, volts_per_nominal: float) -> float:
    """State of charge from the resting voltage, as a share of capacity.

    volts_per_nominal  resting voltage over nominal voltage, so that 24 V banks use the same table
    """
    shares, volts = _TABLES[chemistry]
    return float(np.interp(volts_per_nominal * 12.0, volts, shares))


def resting_voltage(chemistry: Chemistry, share: float, nominal_v: float) -> float:
    """Resting voltage at a state of charge. [V]"""
    shares, volts = _TABLES[chemistry]
    return float(np.interp(share, shares, volts)) * nominal_v / 12.0


def cutoff_share(battery: Battery, load_w: float) -> float:
    """State of charge at which the controller cuts off while a load runs, as a share of capacity. [W]

    Under load the bank stands lower than at rest, so the cut-off comes before it is empty.
    """
    amperes = load_w / battery.nominal_v
    sag_per_nominal = _SAG[battery.chemistry] / battery.capacity_ah * amperes / 12.0
    return charge_share(battery.chemistry, battery.cutoff_v / battery.nominal_v + sag_per_nominal)
