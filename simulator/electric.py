"""The battery of a site that does not exist: charge, acid or lithium, and what a voltmeter sees."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from ingest.site import Battery, Site
from simulator.sun import Floats, on_panel_w_m2
from simulator.weather import Weather

#: Share of a panel's rating that reaches the terminals after dirt, heat and wire; chosen.
_PANEL_SHARE: Final = 0.85
#: Ohmic and polarisation resistance of 12 V and 100 Ah, warm and new; chosen. [Ω]
_OHMIC: Final = 0.012
_POLAR: Final = 0.018
_POLAR_MIN: Final = 40.0
_LEAK_A_MONTH: Final = 0.03


def panel_w(site: Site, battery: Battery, weather: Weather) -> Floats:
    """Power that the panel offers, by minute. [W]"""
    sun = on_panel_w_m2(site, weather.times_ms, weather.sun_w_m2)
    return np.asarray(battery.panel_w * sun / 1000 * _PANEL_SHARE)


class Bank:
    """A battery and its state.

    soc    state of charge [share of the capacity it has now]
    volts  at the terminals [V]
    amps   into the battery [A]

    Terminals show the rest voltage, an ohmic part, and a polarisation that follows the current
    within the hour. The controller holds the charge at an absorption voltage, later at float.
    """

    def __init__(self, battery: Battery, soc: float) -> None:
        self._blocks = battery.nominal_v / 12
        self._battery = battery
        self._lithium = battery.chemistry == "lifepo4"
        self._polar_v = 0.0
        self._floating = False
        self.soc = soc
        self.amps = 0.0
        self.volts = self.rest_v()
        #: The controller lets the pump run.
        self.connected = True

    def rest_v(self) -> float:
        """Voltage at rest. [V]

        Lead: a cell rests at the density of its acid + 0.845, and the acid goes from 1.12 to 1.27
        (common rule of battery handbooks, no source). LiFePO₄: a flat curve with steep ends, by eye.
        """
        if self._lithium:
            soc = self.soc
            cell = 3.22 + 0.12 * soc - 0.6 * math.exp(-25 * soc) + 0.06 * math.exp(-30 * (1 - soc))
            return 4 * cell * self._blocks
        return 6 * (1.12 + 0.15 * self.soc + 0.845) * self._blocks

    def step(self, offered_w: float, load_w: float, air_cel: float, aged: float) -> None:
        """One minute: a panel that offers, loads that take, the air about it, the share of capacity lost."""
        health = max(0.05, 1 - aged)
        capacity_ah = self._battery.capacity_ah * health
        # Cold acid and worn plates resist more: about 1 % a kelvin.
        scale = self._blocks * 100 / capacity_ah * (1 + 0.01 * max(0.0, 25 - air_cel))
        # Nearly empty, the acid at the plates is used up and the voltage gives way under load.
        ohmic = _OHMIC * scale * (1 + 0.05 / (self.soc + 0.005))
        inner = self.rest_v() + self._polar_v
        near = max(self.volts, 6 * self._blocks)
        wanted = (offered_w - load_w) / near
        limit = ((13.6 if self._floating else 14.4) * self._blocks - inner) / ohmic
        amps = min(wanted, max(0.0, limit)) if wanted > 0 else wanted
        if amps < 0 and self.soc <= 0:
            amps = 0.0  # flat: the loads are off
        self.amps = amps
        self._charge(amps, capacity_ah)
        self._polar_v += (amps * self._polar_ohm(amps) * scale - self._polar_v) / _POLAR_MIN
        self.volts = inner + amps * ohmic
        self._switch(offered_w)

    def _polar_ohm(self, amps: float) -> float:
        """A battery nearly full takes charge unwillingly; lithium hardly minds."""
        if amps <= 0 or self._lithium:
            return _POLAR
        return _POLAR + 0.02 / (1.05 - self.soc)

    def _charge(self, amps: float, capacity_ah: float) -> None:
        # Near full, lead makes gas rather than charge.
        efficiency = 0.99 if self._lithium else (0.95 if self.soc < 0.85 else 0.80)
        gained_ah = amps / 60 * (efficiency if amps > 0 else 1.0)
        lost = _LEAK_A_MONTH / (30 * 24 * 60) * self.soc
        self.soc = min(1.0, max(0.0, self.soc + gained_ah / capacity_ah - lost))

    def _switch(self, offered_w: float) -> None:
        """Float once full, absorption again each morning; the pump off at cut-off, on again when well."""
        if self.soc > 0.99:
            self._floating = True
        elif offered_w <= 0:
            self._floating = False
        if self.volts < self._battery.cutoff_v or self.soc <= 0:
            self.connected = False
        elif self.volts > self._battery.low_v + 0.3 * self._blocks:
            self.connected = True
