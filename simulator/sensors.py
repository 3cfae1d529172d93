"""From what really happened to what devices say: noise, steps, gaps, and the faults of sensors.

Only the sensors of the site file speak. Readings are in the unit kept inside.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Final

import numpy as np
import numpy.typing as npt

from ingest.instants import DAY_MS, MINUTE_MS, SECOND_MS
from ingest.reading import Reading, quantity_of
from ingest.site import Sensor, Site
from simulator.faults import Fault, checked
from simulator.sun import Floats, Instants
from simulator.truth import PowerTrace, Truth

#: Pattern of a quantity → what it shows of the truth, at the end of each minute.
_SHOWN: Final[dict[str, Callable[[Truth, str], Floats]]] = {
    "tank.*.level": lambda truth, part: truth.tanks[part].level_m,
    "tank.*.temperature": lambda truth, _: truth.water_cel,
    "backup.open": lambda truth, _: truth.backup_open.astype(float),
    "battery.voltage": lambda truth, _: _power(truth).volts,
    "battery.current": lambda truth, _: _power(truth).amps,
    "air.temperature": lambda truth, _: truth.weather.air_cel,
}
#: Pattern of a quantity → what it counts up, by minute: litres, millimetres, or minutes of running.
_COUNTED: Final[dict[str, Callable[[Truth, str], Floats]]] = {
    "roof.*.flow": lambda truth, part: truth.roofs[part].inflow,
    "roof.*.total": lambda truth, part: truth.roofs[part].inflow,
    "draw.*.flow": lambda truth, part: truth.draws[part].drawn,
    "draw.*.total": lambda truth, part: truth.draws[part].drawn,
    "backup.flow": lambda truth, _: truth.backup_l,
    "backup.total": lambda truth, _: truth.backup_l,
    "pump.running": lambda truth, _: truth.pump_share,
    "rain.total": lambda truth, _: truth.weather.rain_mm,
    "rain.rate": lambda truth, _: truth.weather.rain_mm,
}
#: Pattern → the step in which a device shows it: millimetres of level, pulses of a meter, tips of a gauge.
_STEP: Final[dict[str, float]] = {
    "tank.*.level": 0.001,
    "tank.*.temperature": 0.1,
    "battery.voltage": 0.01,
    "battery.current": 0.01,
    "air.temperature": 0.1,
    "roof.*.flow": 0.1,
    "roof.*.total": 0.1,
    "draw.*.flow": 0.1,
    "draw.*.total": 0.1,
    "backup.flow": 0.1,
    "backup.total": 0.1,
    "rain.total": 0.2,
    "rain.rate": 0.2,
}
#: Pattern → standard deviation of one reading where the site file gives none.
_NOISE: Final[dict[str, float]] = {
    "tank.*.level": 0.004,
    "tank.*.temperature": 0.1,
    "battery.voltage": 0.02,
    "battery.current": 0.05,
    "air.temperature": 0.2,
}
#: One reading in so many is struck by a fault of spikes.
_SPIKE_EVERY: Final = 20
#: Falling water makes waves from this inflow on. [L a minute]
_WAVES_L_MIN: Final = 1.0


class Sensors:
    """All sensors of a site, and what they remember between spans.

    dropout   share of readings that is never sent
    slosh_m   standard deviation added to a level while water falls into its tank [m]
    Raises ValueError on a fault that strikes nothing.
    """

    def __init__(
        self, site: Site, seed: int, *, dropout: float = 0.0, slosh_m: float = 0.0, faults: Iterable[Fault] = ()
    ) -> None:
        known = checked(site, faults)
        self._site = site
        self._sensors = [
            _SensorRun(sensor, site, seed, dropout, slosh_m, [f for f in known if f.part in (sensor.id, sensor.device)])
            for sensor in site.sensor
        ]

    def read(self, truth: Truth) -> list[Reading]:
        """What the devices say of a span, which must follow the span before; in the order of measuring."""
        taken = [pair for sensor in self._sensors for pair in sensor.read(truth)]
        taken.sort(key=lambda pair: pair[0])
        return [reading for _, reading in taken]


class _SensorRun:
    """One sensor: samples at every full `every_s` of the epoch, after the minute that it closes."""

    def __init__(
        self, sensor: Sensor, site: Site, seed: int, dropout: float, slosh_m: float, faults: list[Fault]
    ) -> None:
        self._sensor, self._site, self._faults = sensor, site, faults
        self._pattern = sensor.quantity.pattern
        self._part = quantity_of(sensor.measures)[1] or ""
        self._noise = _NOISE.get(self._pattern, 0.0) if sensor.noise is None else sensor.noise
        self._dropout, self._slosh_m = dropout, slosh_m
        # A generator for each purpose: spans in pieces then draw the same numbers as spans at once.
        seeds = np.random.SeedSequence([seed, *sensor.id.encode()]).spawn(3)
        self._noise_rng, self._drop_rng, self._spike_rng = (np.random.default_rng(one) for one in seeds)
        self._counted = 0.0
        self._sampled: float = 0.0
        self._zero = 0.0
        self._stuck_at: float | None = None

    def read(self, truth: Truth) -> list[tuple[int, Reading]]:
        """Each reading and the true instant at which it was taken, which a wrong clock does not know."""
        times_ms = _sample_times(truth, self._sensor.every_s)
        minute = -(-(times_ms - truth.start_ms) // MINUTE_MS) - 1
        if self._pattern in _COUNTED:
            values = self._count(truth, times_ms, minute)
        else:
            values = _SHOWN[self._pattern](truth, self._part)[minute]
        values = self._stepped(self._noisy(values, truth, minute))
        values = self._struck(values, times_ms)
        kept = self._drop_rng.random(len(values)) >= self._dropout
        ahead_ms = [round(self._amount("clock-wrong", time_ms) * SECOND_MS) for time_ms in times_ms.tolist()]
        return [
            (time_ms, Reading(self._site.id, time_ms + ahead, self._sensor.id, value))
            for time_ms, ahead, value, keep in zip(times_ms.tolist(), ahead_ms, values.tolist(), kept, strict=True)
            if keep and not self._amount("sensor-silent", time_ms)
        ]

    def _count(self, truth: Truth, times_ms: Instants, minute: npt.NDArray[np.int64]) -> Floats:
        """A running total, or for rates the mean over the interval that a sample closes."""
        running = self._counted + np.cumsum(_COUNTED[self._pattern](truth, self._part))
        total = running[minute]
        self._counted = float(running[-1])
        if self._sensor.quantity.counter:
            return self._since_reset(total, running, times_ms, truth)
        step = _STEP.get(self._pattern)
        pulses = total if step is None else np.floor(total / step + 1e-9) * step
        grown = np.diff(pulses, prepend=self._sampled)
        if len(pulses):
            self._sampled = float(pulses[-1])
        # Running is a share of the interval, flow and rate are per hour.
        interval = self._sensor.every_s / (60.0 if self._pattern == "pump.running" else 3600.0)
        return np.asarray(grown / interval)

    def _since_reset(self, total: Floats, running: Floats, times_ms: Instants, truth: Truth) -> Floats:
        """A total starts again from nothing when its device was reset."""
        out = total - self._zero
        resets = (fault.start_ms for fault in self._faults if fault.kind == "counter-reset")
        for reset_ms in sorted(reset for reset in resets if truth.start_ms <= reset < truth.end_ms):
            self._zero = float(running[(reset_ms - truth.start_ms) // MINUTE_MS])
            after = times_ms > reset_ms
            out[after] = total[after] - self._zero
        return out

    def _noisy(self, values: Floats, truth: Truth, minute: npt.NDArray[np.int64]) -> Floats:
        """Noise of the sensor, and waves on the water. Totals and shares carry what the site file says, or none."""
        sd = np.full(len(values), self._noise)
        if self._pattern == "tank.*.level" and self._slosh_m:
            inflows = [truth.roofs[roof.id].inflow for roof in self._site.roof if roof.tank == self._part]
            falling = sum(inflows, np.zeros(truth.weather.minutes))[minute] > _WAVES_L_MIN
            sd = np.hypot(sd, np.where(falling, self._slosh_m, 0.0))
        noisy = values + sd * self._noise_rng.normal(size=len(values))
        if self._pattern in _COUNTED:
            noisy = np.maximum(0.0, noisy)
        return np.asarray(noisy)

    def _stepped(self, values: Floats) -> Floats:
        """Devices show steps; totals have whole pulses only, rates were made from pulses already."""
        step = _STEP.get(self._pattern)
        if step is None or (self._pattern in _COUNTED and not self._sensor.quantity.counter):
            return values
        if self._sensor.quantity.counter:
            return np.asarray(np.floor(values / step + 1e-9) * step)
        return np.asarray(np.round(values / step) * step)

    def _struck(self, values: Floats, times_ms: Instants) -> Floats:
        """Drift, spikes, and a value that comes again and again."""
        out = values.copy()
        spikes = self._spike_rng.random(len(values)) < 1 / _SPIKE_EVERY
        for i, time_ms in enumerate(times_ms.tolist()):
            for fault in self._faults:
                if fault.kind == "sensor-drift" and fault.holds(time_ms):
                    out[i] += fault.size * (time_ms - fault.start_ms) / DAY_MS
            if spikes[i]:
                out[i] += self._amount("sensor-spikes", time_ms)
            if not self._amount("sensor-stuck", time_ms):
                self._stuck_at = None
            elif self._stuck_at is None:
                self._stuck_at = float(out[i])
            if self._stuck_at is not None:
                out[i] = self._stuck_at
        return out

    def _amount(self, kind: str, time_ms: int) -> float:
        return sum(fault.size for fault in self._faults if fault.kind == kind and fault.holds(time_ms))


def _sample_times(truth: Truth, every_s: float) -> Instants:
    """Full multiples of the interval since the epoch within `(start, end]` of a truth. [UTC ms]"""
    every_ms = round(every_s * SECOND_MS)
    first, last = truth.start_ms // every_ms + 1, truth.end_ms // every_ms
    return np.arange(first, last + 1, dtype=np.int64) * every_ms


def _power(truth: Truth) -> PowerTrace:
    if truth.power is None:
        raise ValueError("expected a site with a [battery]")
    return truth.power
