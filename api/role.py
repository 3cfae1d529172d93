"""The API as a running process: the web server, and beside it the alarm watch and the outbox.

An unforeseen exception in a background thread stops the whole process, non-zero: a server that
shows figures while nobody watches the alarms looks well and is not. The supervisor starts the
process again, and it goes on from the records.
"""

from __future__ import annotations

import logging
import sys
import threading
from collections.abc import Callable, Mapping
from typing import Final

import uvicorn

from api.access.access import Access
from api.alarms.engine import AlarmEngine
from api.app import create_app
from api.notify.build import outbox_of
from api.notify.recipientsfile import load_recipients
from api.patience import server_limits
from api.settings import Settings
from api.supervisor import RoleFailedError
from ingest.brokerurl import parse_url
from ingest.site import Site
from ingest.sitefile import load_sites
from ingest.store.locate import await_readings
from ingest.store.readings import ReadingStore
from ingest.store.records import Records

log = logging.getLogger("ullage.api")

#: Longer than a phone's or a proxy's pause between two requests, which would meet a closed connection.
KEEP_ALIVE_S: Final = 75
SHUTDOWN_S: Final = 10
#: A delivery under way may take its whole time-out.
JOIN_S: Final = 25.0


def run_api(settings: Settings, clock: Callable[[], int], stop: threading.Event) -> None:
    """Load the sites, open the stores, and serve until `stop` is set. clock: UTC now [ms]

    Raises SiteFileError, StoreError when a store cannot be opened, RoleFailedError as `serve` does.
    """
    sites = load_sites(settings.sites)
    readings = await_readings(settings.readings_store, stop, settings.data)
    try:
        records = Records(settings.records)
        try:
            serve(sites, readings, records, clock, settings, stop)
        finally:
            records.close()
    finally:
        readings.close()


def serve(
    sites: Mapping[str, Site],
    readings: ReadingStore,
    records: Records,
    clock: Callable[[], int],
    settings: Settings,
    stop: threading.Event,
) -> None:
    """Serve until `stop` is set; it is set too when anything here ends by itself.

    Raises RoleFailedError when the port cannot be had or a background thread failed, and
    RecipientsFileError or SettingsError when those who are to be told of alarms cannot be.
    """
    recipients = load_recipients(settings.recipients_file, sites)
    app = create_app(sites, readings, records, clock, settings, recipients.names)
    config = uvicorn.Config(
        app,
        host=settings.host,
        port=settings.port,
        timeout_keep_alive=KEEP_ALIVE_S,
        timeout_graceful_shutdown=SHUTDOWN_S,
        log_config=None,
        access_log=False,
        proxy_headers=False,  # the application looks through those proxies that the settings name, and no other
        ws="none",
        **server_limits(),
        server_header=False,
    )
    if not settings.demo:
        _tell_setup_code(app.state.service.access)
    server = uvicorn.Server(config)
    background = [_Background("stop", lambda: _stop_server(server, stop), stop)]
    if settings.alarms:
        engine = AlarmEngine(sites, readings, records, clock, settings, recipients.names)
        outbox = outbox_of(sites, readings, records, recipients, clock, settings)
        background.append(_Background("alarms", lambda: engine.run(stop), stop))
        background.append(_Background("outbox", lambda: outbox.run(stop), stop))
        if settings.alarm_broker:
            from api.notify.mirror import Mirror, topics  # noqa: PLC0415 - only here is paho needed

            mirror = Mirror(parse_url(settings.alarm_broker), lambda: topics(sites, records, settings.prefix, clock()))
            background.append(_Background("mirror", lambda: mirror.run(stop), stop))
    for thread in background:
        thread.start()
    try:
        server.run()
    except SystemExit as error:  # how the server says that it cannot start
        raise RoleFailedError(f"cannot listen on {settings.host}:{settings.port}: is the port taken?") from error
    finally:
        stop.set()
        for thread in background:
            thread.join(JOIN_S)
    failed = [thread.name for thread in background if thread.failed or thread.is_alive()]
    if failed:
        raise RoleFailedError(f"background threads failed or did not stop, see the log: {', '.join(failed)}")


class _Background(threading.Thread):
    """A thread that never dies silently: its failure is logged, and stops everything."""

    def __init__(self, name: str, work: Callable[[], None], stop: threading.Event) -> None:
        super().__init__(name=name, daemon=True)
        self._work = work
        self._stop_all = stop
        self.failed = False

    def run(self) -> None:
        try:
            self._work()
        except Exception:
            self.failed = True
            log.critical("%s: unforeseen error, stopping the process", self.name, exc_info=True)
        finally:
            self._stop_all.set()


def _tell_setup_code(access: Access) -> None:
    """To the terminal, or the system's log behind it, and to no log file of ours: whoever reads it gets in."""
    code = access.offer_setup()
    if code is not None:
        sys.stderr.write(
            f"\n  Nobody has set this service up yet. Open its page and give this setup code:\n\n    {code}\n\n"
        )
        sys.stderr.flush()


def _stop_server(server: uvicorn.Server, stop: threading.Event) -> None:
    stop.wait()
    server.should_exit = True
