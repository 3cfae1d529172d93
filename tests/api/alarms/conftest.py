"""An engine over Skerrow Head, and short ways to tell it stories."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import pytest

from api.alarms.engine import AlarmEngine
from api.settings import Settings
from ingest.instants import DAY_MS, MINUTE_MS
from ingest.reading import Reading
from ingest.site import Site
from ingest.store.records import Records, Transition
from tests.api.fakes import NOW_MS, Clock, MemoryReadings

LEVEL, BATTERY = "post-1/level", "post-1/battery"
USUAL = {LEVEL: 1.06, BATTERY: 12.6, "post-1/inflow-total": 1e4, "post-1/taps-total": 1e3}
USUAL |= {"post-1/irrigation-flow": 0.0, "post-1/rain-total": 100.0}
EVERY_MS = 5 * MINUTE_MS


class Watch:
    """Skerrow Head, its clock, and an engine that judges it every minute or so."""

    def __init__(
        self, site: Site, readings: MemoryReadings, records: Records, clock: Clock, settings: Settings
    ) -> None:
        self.site, self.readings, self.records, self.clock, self.settings = site, readings, records, clock, settings
        self.rained_mm = USUAL["post-1/rain-total"]
        self.restart()

    def restart(self) -> None:
        """A new process: nothing in memory survives."""
        self.engine = AlarmEngine(
            {self.site.id: self.site}, self.readings, self.records, self.clock, self.settings, ("log",)
        )

    def say(self, sensor: str, value: float, time_ms: int, flags: int = 0) -> None:
        self.readings.write([Reading(self.site.id, time_ms, sensor, value, flags)])

    def go(
        self,
        minutes: float,
        silent: Iterable[str] = (),
        step_ms: int = EVERY_MS,
        *,
        also: Mapping[str, float] | None = None,
        **values: float,
    ) -> list[Transition]:
        """Let time pass: every sensor speaks each step, except the silent; the engine judges each step."""
        speaks = {sensor: value for sensor, value in USUAL.items() if sensor not in set(silent)}
        speaks |= {f"post-1/{name}": value for name, value in {**values, **(also or {})}.items()}
        changed = []
        for _ in range(round(minutes * MINUTE_MS / step_ms)):
            self.clock.now_ms += step_ms
            for sensor, value in speaks.items():
                self.say(sensor, value, self.clock.now_ms)
            changed += self.engine.tick()
        return changed

    def sent(self) -> int:
        """How many messages were ever due."""
        return len(self.records.notifications.due("log", NOW_MS + 1000 * DAY_MS))


@pytest.fixture
def watch(skerrow_head: Site, readings: MemoryReadings, records: Records, clock: Clock, settings: Settings) -> Watch:
    return Watch(skerrow_head, readings, records, clock, settings)
