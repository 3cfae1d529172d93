"""The whole service on this machine, fed over MQTT: broker, collector, forecaster, alarms and pages.

All of it is what runs in use; only the forecaster and the alarms look more often, so that tests are short.
"""

from __future__ import annotations

import json
import math
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TypeVar

from api.alarms.engine import AlarmEngine
from api.app import create_app
from api.settings import Settings
from forecast.role import run_forecast
from ingest.broker import COLLECTOR, DEVICE
from ingest.collector import Collector, system_clock
from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS
from ingest.payload import Decoder
from ingest.role import READINGS_FILE, IngestSettings, bundled_broker, run_ingest
from ingest.sitefile import load_site
from ingest.store.records import Records
from ingest.store.sqlite import SqliteStore
from tests.browser.serving import running, serving
from tests.conftest import SITES, Device, RunningBroker, find_free_port

T = TypeVar("T")

SITE = "skerrow-head"
EVERY_MS = 15 * MINUTE_MS
_FORECAST_S, _ALARMS_S = 2.0, 0.3
#: A pack holds at most so many records.
_PACK = 400


@dataclass
class Live:
    """The service and a device at Skerrow Head.

    url, setup_code  where its pages are; what the first account costs
    begin_ms         when the test began: what the device tells is dated around it
    """

    url: str
    setup_code: str
    device: Device
    begin_ms: int = field(default_factory=system_clock)

    def tell(self, first_ms: int, last_ms: int, values: Callable[[int], Mapping[str, tuple[str, float]]]) -> None:
        """Publish what the device measured in `[first, last]`, oldest first, as a backlog.

        values  at an instant [UTC ms]: sensor name → SenML unit and value
        """
        records = [
            {"bn": "post-1/", "t": at / 1000, "n": name, "u": unit, "v": value}
            for at in range(first_ms, last_ms + 1, EVERY_MS)
            for name, (unit, value) in values(at).items()
        ]
        for start in range(0, len(records), _PACK):
            self.device.deliver(f"ullage/{SITE}/post-1/senml", json.dumps(records[start : start + _PACK]))

    def tell_dry_days(self) -> None:
        """Four days of use without rain, until the link drops three hours ago."""
        self.tell(self.begin_ms - 4 * DAY_MS, self.begin_ms - 3 * HOUR_MS, self._dry)

    def tell_the_rest(self) -> None:
        """The link is back: rain filled the tank, which has run over for two hours now."""
        first_ms = self.begin_ms - 3 * HOUR_MS + EVERY_MS
        self.tell(first_ms, self.begin_ms, self._raining)

    def _dry(self, at: int) -> dict[str, tuple[str, float]]:
        days = (at - self.begin_ms) / DAY_MS + 4
        return {
            "level": ("m", round(1.0 - 0.035 * days, 4)),
            "taps-total": ("m3", round(5 + 0.07 * days, 5)),
            "inflow-total": ("m3", 9.0),
            "rain-total": ("mm", 200.0),
            "battery": ("V", round(12.6 + 0.05 * math.sin(20 * days), 3)),
        }

    def _raining(self, at: int) -> dict[str, tuple[str, float]]:
        hours = (at - self.begin_ms) / HOUR_MS + 3
        told = self._dry(at)
        told["level"] = ("m", round(min(1.8, 0.86 + hours), 4))
        told["rain-total"] = ("mm", round(200 + 9 * hours, 3))
        told["inflow-total"] = ("m3", round(9.0 + 0.65 * hours, 4))
        return told


def until(find: Callable[[], T | None], within_s: float = 30.0) -> T:
    """Ask until there is an answer."""
    end = time.monotonic() + within_s
    while (found := find()) is None:
        assert time.monotonic() < end, "it does not come"
        time.sleep(0.05)
    return found


@contextmanager
def live_service(folder: Path) -> Iterator[Live]:
    """Start everything, empty and not set up yet."""
    site = load_site(SITES / f"{SITE}.toml")
    sites, stop = {site.id: site}, threading.Event()
    ingest = IngestSettings(SITES / f"{SITE}.toml", folder, port=find_free_port())
    broker = bundled_broker(ingest, Decoder(sites, ingest.prefix))
    settings = Settings(data=folder, port=find_free_port())
    Records(settings.records).close()
    SqliteStore(folder / READINGS_FILE).close()
    listening: list[Collector] = []
    with ExitStack() as parts:
        parts.enter_context(broker)
        collector = replace(ingest, broker_url=broker.url(COLLECTOR))
        collect = lambda: run_ingest(collector, stop, on_start=listening.append)  # noqa: E731
        parts.enter_context(running("collector", collect, stop))
        forecast = lambda: run_forecast(  # noqa: E731
            sites, str(folder / READINGS_FILE), settings.records, None, _FORECAST_S, system_clock, stop
        )
        parts.enter_context(running("forecaster", forecast, stop))
        readings, records = SqliteStore(folder / READINGS_FILE, writer=False), Records(settings.records)
        parts.callback(records.close)
        parts.callback(readings.close)
        engine = AlarmEngine(sites, readings, records, system_clock, settings, ())
        parts.enter_context(running("alarms", lambda: engine.run(stop, _ALARMS_S), stop))
        app = create_app(sites, readings, records, system_clock, settings)
        url = parts.enter_context(serving(app, settings.port))
        code = app.state.service.access.offer_setup()
        until(lambda: listening or None)
        device = Device(RunningBroker("nats", broker.host, broker.port, "", *broker.credentials(DEVICE)))
        parts.callback(device.close)
        yield Live(url, code, device)
