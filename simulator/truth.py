"""What really happened at a site that does not exist, by minute: what all else is marked against."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ingest.instants import HOUR_MS, MINUTE_MS
from simulator.roofs import RoofTrace
from simulator.sun import Floats
from simulator.weather import Weather


@dataclass(frozen=True)
class DrawTrace:
    """One draw, by minute. [L]

    wanted       what would be taken if nothing stopped it
    drawn        taken from the tank; the meter of the draw stands in the tank's line and sees this
    from_backup  taken from the backup supply instead
    """

    wanted: Floats
    drawn: Floats
    from_backup: Floats


@dataclass(frozen=True)
class TankTrace:
    """One tank, by minute.

    volume_l, level_m  at the end of the minute [L], above the floor [m]
    overflow_l         over the brim, to the next tank or off the site [L]
    leak_l             through the floor [L]
    from_backup_l      pressed in by a backup that is open together with the tank [L]
    """

    volume_l: Floats
    level_m: Floats
    overflow_l: Floats
    leak_l: Floats
    from_backup_l: Floats


@dataclass(frozen=True)
class PowerTrace:
    """Battery and panel, by minute: share of the present capacity, [V], [A] into the battery."""

    soc: Floats
    volts: Floats
    amps: Floats


@dataclass(frozen=True)
class Truth:
    """Everything about a span of minutes; entry i is the minute from start_ms + i minutes on.

    roofs, draws, tanks  by id
    spilled_l            off the site over any brim [L]
    backup_open          whether the backup supply is open
    pump_share           share of the minute in which the pump ran
    water_cel            temperature of the stored water [°C]
    power                None: the site has no battery
    """

    weather: Weather
    roofs: Mapping[str, RoofTrace]
    draws: Mapping[str, DrawTrace]
    tanks: Mapping[str, TankTrace]
    spilled_l: Floats
    backup_open: npt.NDArray[np.bool_]
    pump_share: Floats
    water_cel: Floats
    power: PowerTrace | None

    @property
    def start_ms(self) -> int:
        return self.weather.start_ms

    @property
    def end_ms(self) -> int:
        return self.weather.start_ms + self.weather.minutes * MINUTE_MS

    @property
    def backup_l(self) -> Floats:
        """Through the backup's meter: to the draws and into tanks. [L]"""
        to_draws = sum((trace.from_backup for trace in self.draws.values()), np.zeros(self.weather.minutes))
        return np.asarray(sum((trace.from_backup_l for trace in self.tanks.values()), to_draws))


def hourly_sums(truth: Truth, minutes: Floats) -> Floats:
    """Sums over the full UTC hours of a truth that starts at one. Raises ValueError if it does not."""
    if truth.start_ms % HOUR_MS:
        raise ValueError(f"start_ms = {truth.start_ms}: expected a full hour")
    hours = len(minutes) // 60
    return np.asarray(minutes[: hours * 60].reshape(hours, 60).sum(axis=1))
