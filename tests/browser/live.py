"""The whole service on this machine, fed over MQTT: broker, collector, forecaster, alarms and pages.

All of it is what runs in use, but that the forecaster and the alarms look more often, and that its clock
can be put on: an hour's silence takes no hour. Broker and collector are a process that can be killed.
"""

from __future__ import annotations

import json
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TypeVar

from playwright.sync_api import StorageState
from starlette.types import ASGIApp

from api.access.access import Access
from api.access.gate import COOKIE
from api.alarms.engine import AlarmEngine
from api.app import create_app
from api.settings import Settings
from forecast.result import decode
from forecast.role import run_forecast
from ingest.broker import DEVICE
from ingest.collector import system_clock
from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS
from ingest.ownership import Ownership
from ingest.role import BROKER_FOLDER, READINGS_FILE
from ingest.secretsfile import kept_secrets
from ingest.sitefile import load_site
from ingest.store.records import Records
from ingest.store.sqlite import SqliteStore
from ingest.watch import BROKER_SITE, WELL
from tests.browser.serving import running, serving
from tests.browser.weather import Values, drawing, dry, raining
from tests.conftest import SITES, Device, RunningBroker, find_free_port
from tests.faults.rig import Collecting

T = TypeVar("T")

SITE = "skerrow-head"
#: What somebody notes on the site's log.
NOTE = "The valve is stiff."
NAME, PASSWORD = "Ada", "seven seals of rain"
EVERY_MS = 15 * MINUTE_MS
_FORECAST_S, _ALARMS_S = 2.0, 0.3
#: A pack holds at most so many records.
_PACK = 400


class ForwardClock:
    """This machine's clock, put on by so many seconds as stand in a file: the collector's process reads them too."""

    def __init__(self, file: Path) -> None:
        self._file = file
        self._ahead_s = 0.0
        self.put_on(0.0)

    def __call__(self) -> int:
        return system_clock() + round(self._ahead_s * 1000)

    def put_on(self, seconds: float) -> None:
        """Let so much time go by at once."""
        self._ahead_s += seconds
        fresh = self._file.with_suffix(".new")
        fresh.write_text(str(self._ahead_s))
        fresh.replace(self._file)


class Web:
    """The pages' server, which can go away and come back at its address."""

    def __init__(self, app: ASGIApp, port: int) -> None:
        self._app, self._port = app, port
        self._serving = ExitStack()
        self.url = ""

    def start(self) -> None:
        self.url = self._serving.enter_context(serving(self._app, self._port))

    def stop(self) -> None:
        self._serving.close()


@dataclass
class Live:
    """The service and a device at Skerrow Head.

    begin_ms  when the test began: what the device tells is dated around it
    told_ms   up to when it has told; 0: nothing yet
    """

    web: Web
    access: Access
    clock: ForwardClock
    collecting: Collecting
    device: Device
    readings: SqliteStore
    records: Records
    begin_ms: int = field(init=False)
    told_ms: int = field(default=0, init=False)

    def __post_init__(self) -> None:
        self.begin_ms = self.clock()

    def signed_in(self) -> StorageState:
        """A browser's cookies with which Ada is signed in; before anybody was there, she sets the service up."""
        code = self.access.offer_setup()
        enter = self.access.sign_in if code is None else partial(self.access.set_up, code)
        session = enter(NAME, PASSWORD, "127.0.0.1")
        return {"cookies": [{"name": COOKIE, "value": session, "domain": "127.0.0.1", "path": "/"}]}

    @property
    def url(self) -> str:
        return self.web.url

    @property
    def broker_pid(self) -> int:
        """Of the broker that runs now."""
        files = (self.collecting.data / BROKER_FOLDER).glob("nats-server_*.ports")
        newest = max(files, key=lambda file: file.stat().st_mtime_ns)
        return int(newest.stem.removeprefix("nats-server_"))

    def kill_broker(self) -> None:
        """Its supervisor starts another."""
        os.kill(self.broker_pid, signal.SIGKILL)

    def tell_dry_days(self) -> None:
        """Four days of use without rain, until the link drops three hours ago."""
        self._tell(self.begin_ms - 4 * DAY_MS, self.begin_ms - 3 * HOUR_MS, dry(self.begin_ms))

    def tell_the_rest(self) -> None:
        """The link is back: rain filled the tank, which has run over for two hours now."""
        self._tell(self.told_ms + EVERY_MS, self.begin_ms, raining(self.begin_ms))

    def tell_until_now(self) -> None:
        """The rain is over, and the taps draw."""
        self._tell(self.told_ms + EVERY_MS, self.clock(), drawing(self.begin_ms))

    def be_full(self) -> None:
        """What the story leaves behind, for tests that are run without it: the tank has spilled, the forecast knows."""
        if not self.told_ms:
            self.tell_dry_days()
            self.tell_the_rest()
        until(lambda: self._expects_much() or None, 90.0)

    def _tell(self, first_ms: int, last_ms: int, values: Values) -> None:
        """Publish what the device measured up to an instant, oldest first, as a backlog; it is on disk then."""
        records = [
            {"bn": "post-1/", "t": at / 1000, "n": name, "u": unit, "v": value}
            for at in (*range(first_ms, last_ms, EVERY_MS), last_ms)
            for name, (unit, value) in values(at).items()
        ]
        for start in range(0, len(records), _PACK):
            sent = self.device.publish(f"ullage/{SITE}/post-1/senml", json.dumps(records[start : start + _PACK]))
            until(partial(_acknowledged, self.device, sent.mid))
        self.told_ms = last_ms

    def _expects_much(self) -> bool:
        document = self.records.latest_forecast(SITE)
        return document is not None and decode(document).tanks[0].start_level_m > 1.7

    def collector_heard_ms(self) -> int:
        """When the collector last told that it is there; 0: never. [UTC ms]"""
        told = self.readings.latest(BROKER_SITE, self.clock()).get(WELL)
        return 0 if told is None else told.time_ms

    def state_of(self, alarm: str) -> str:
        """The state of an alarm of the installation."""
        last = self.records.last_transitions(BROKER_SITE).get(alarm)
        return "normal" if last is None else last.new


def _acknowledged(device: Device, message: int) -> bool | None:
    return message in device.acknowledged or None


def until(find: Callable[[], T | None], within_s: float = 30.0) -> T:
    """Ask until there is an answer."""
    end = time.monotonic() + within_s
    while (found := find()) is None:
        assert time.monotonic() < end, "it does not come"
        time.sleep(0.05)
    return found


def _end(collecting: Collecting, broker: Path) -> None:
    """In order; and where a test left the collector killed, the broker that it left behind too."""
    collecting.finish()
    owner = Ownership(broker)
    owner.take(str(broker / "nats.conf"))
    owner.release()


@contextmanager
def live_service(folder: Path) -> Iterator[Live]:
    """Start everything, empty and not set up yet."""
    sites = {SITE: load_site(SITES / f"{SITE}.toml")}
    stop, clock = threading.Event(), ForwardClock(folder / "clock")
    settings, port = Settings(data=folder, port=find_free_port()), find_free_port()
    readings_file = folder / READINGS_FILE
    Records(settings.records).close()
    SqliteStore(readings_file).close()
    with ExitStack() as parts:
        options = ("--port", str(port), "--clock", str(folder / "clock"))
        collecting = parts.enter_context(Collecting(folder, *options, log=folder / "collector.log"))
        parts.callback(_end, collecting, folder / BROKER_FOLDER)
        forecast = lambda: run_forecast(  # noqa: E731
            sites, str(readings_file), settings.records, None, _FORECAST_S, clock, stop
        )
        parts.enter_context(running("forecaster", forecast, stop))
        readings, records = SqliteStore(readings_file, writer=False), Records(settings.records)
        parts.callback(records.close)
        parts.callback(readings.close)
        engine = AlarmEngine(sites, readings, records, clock, settings, ())
        parts.enter_context(running("alarms", lambda: engine.run(stop, _ALARMS_S), stop))
        app = create_app(sites, readings, records, clock, settings)
        web = Web(app, settings.port)
        web.start()
        parts.callback(web.stop)
        collecting.until_collecting()
        password = kept_secrets(folder / BROKER_FOLDER, (DEVICE,))[DEVICE]
        device = Device(RunningBroker("nats", "127.0.0.1", port, "", DEVICE, password))
        parts.callback(device.close)
        yield Live(web, app.state.service.access, clock, collecting, device, readings, records)
