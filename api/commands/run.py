"""Commands that run: one role, all of them, or the demonstration."""

from __future__ import annotations

import json
import logging
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from api.options import (
    BrokerOption,
    ContactOption,
    DataOption,
    JsonOption,
    KeepDaysOption,
    OutlookOption,
    PrefixOption,
    RainOption,
    ReadingsOption,
    RecordsOption,
    SiteArgument,
    SitesArgument,
    VerboseOption,
)

if TYPE_CHECKING:
    from threading import Event


def ingest(
    sites: SitesArgument,
    broker: BrokerOption,
    data: DataOption = Path("ullage-data"),
    prefix: PrefixOption = "ullage",
    readings: ReadingsOption = "",
    keep_days: KeepDaysOption = None,
    verbose: VerboseOption = False,
) -> None:
    """The collector: from the broker into the readings store."""
    from ingest.role import IngestSettings, run_ingest
    from ingest.store.locate import open_readings

    _log_to_stderr(verbose)
    stop = _stop_event()
    store = open_readings(_readings_location(readings, data), writer=True, data=data)
    try:
        run_ingest(IngestSettings(sites, data, broker, prefix=prefix, keep_days=keep_days), stop, store=store)
    finally:
        store.close()


def forecast(
    sites: SitesArgument,
    data: DataOption = Path("ullage-data"),
    rain: RainOption = None,
    readings: ReadingsOption = "",
    records: RecordsOption = "",
    every_s: Annotated[float, typer.Option("--every-s", help="Seconds between two forecasts of a site.")] = 600.0,
    outlook: OutlookOption = "none",
    contact: ContactOption = "",
    base: Annotated[
        str, typer.Option("--outlook-base", envvar="ULLAGE_OUTLOOK_BASE", help="Another address of the service.")
    ] = "",
    verbose: VerboseOption = False,
) -> None:
    """The forecaster: reads what is known of each site, predicts, records."""
    from forecast.outlook.choose import OutlookSettings
    from forecast.role import run_forecast
    from ingest.sitefile import load_sites

    _log_to_stderr(verbose)
    run_forecast(
        load_sites(sites),
        _readings_location(readings, data),
        records_url(records, data),
        rain,
        every_s,
        now_ms,
        _stop_event(),
        weather=OutlookSettings(outlook, contact, base),
        data=data,
        cache=data / "outlook",
    )


def api(
    sites: SitesArgument,
    data: DataOption = Path("ullage-data"),
    host: Annotated[str | None, typer.Option("--host", help="Address to listen on.")] = None,
    port: Annotated[int | None, typer.Option("--port", help="Port to listen on.")] = None,
    rain: RainOption = None,
    readings: ReadingsOption = "",
    records: RecordsOption = "",
    verbose: VerboseOption = False,
) -> None:
    """The page, the API and the alarms. Further settings: ULLAGE_* in the environment."""
    from api.role import run_api
    from api.settings import load_settings

    _log_to_stderr(verbose)
    settings = load_settings(
        data=data,
        sites=sites,
        host=host,
        port=port,
        rain=rain,
        readings=readings or None,
        records_url=records or None,
    )
    run_api(settings, now_ms, _stop_event())


def simulate(
    site: SiteArgument,
    broker: BrokerOption,
    prefix: PrefixOption = "ullage",
    days: Annotated[int, typer.Option("--days", help="Past days to send first, as a backlog.")] = 30,
    seed: Annotated[int | None, typer.Option("--seed", help="Another seed, another story.")] = None,
    as_json: JsonOption = False,
    verbose: VerboseOption = False,
) -> None:
    """An invented site: its devices send their past days, then go on live."""
    from ingest.sitefile import load_site
    from simulator.role import DEMO_SEED, Progress, run_simulator

    _log_to_stderr(verbose)

    def report(progress: Progress) -> None:
        typer.echo(json.dumps(progress._asdict()) if as_json else f"{progress.site}: {progress.readings} readings sent")
        sys.stdout.flush()

    run_simulator(
        load_site(site), broker, prefix, days, DEMO_SEED if seed is None else seed, now_ms, 1.0, _stop_event(), report
    )


def up(
    sites: SitesArgument,
    data: DataOption = Path("ullage-data"),
    host: Annotated[str, typer.Option("--host", help="Address of the page and the API.")] = "127.0.0.1",
    port: Annotated[int, typer.Option("--port", help="Port of the page and the API.")] = 8080,
    mqtt_host: Annotated[str, typer.Option("--mqtt-host", help="Address of the bundled broker.")] = "127.0.0.1",
    mqtt_port: Annotated[int, typer.Option("--mqtt-port", help="Port of the bundled broker.")] = 1883,
    broker: Annotated[
        str, typer.Option("--broker", envvar="ULLAGE_BROKER", help="A broker of your own instead of the bundled one.")
    ] = "",
    prefix: PrefixOption = "ullage",
    rain: RainOption = None,
    readings: ReadingsOption = "",
    records: RecordsOption = "",
    outlook: OutlookOption = "none",
    contact: ContactOption = "",
    keep_days: KeepDaysOption = None,
    verbose: VerboseOption = False,
) -> None:
    """Everything for real sites: broker, collector, forecaster, page and alarms."""
    from api.whole import Installation, run_up

    _log_to_stderr(verbose)
    installation = Installation(
        sites=sites,
        data=data,
        host=host,
        port=port,
        mqtt_host=mqtt_host,
        mqtt_port=mqtt_port,
        broker=broker,
        prefix=prefix,
        rain=rain,
        outlook=outlook,
        contact=contact,
        keep_days=keep_days,
        readings=readings,
        records=records,
    )
    run_up(installation, _stop_event())


def demo(
    data: Annotated[Path, typer.Option("--data", help="Folder of the demo's data.")] = Path("ullage-data/demo"),
    days: Annotated[int, typer.Option("--days", help="Past days that the invented sites tell.")] = 30,
    port: Annotated[int, typer.Option("--port", help="Port of the page; 0: a free one.")] = 0,
    verbose: VerboseOption = False,
) -> None:
    """Everything on invented sites, in one command, on loopback ports."""
    from api.demo import run_demo

    _log_to_stderr(verbose)
    run_demo(data, days, port, _stop_event())


def _readings_location(readings: str, data: Path) -> str:
    return readings or str(data / "readings.db")


def records_url(records: str, data: Path) -> str:
    """SQLAlchemy URL of the records: as given, or in the data folder."""
    return records or f"sqlite:///{data / 'records.db'}"


def now_ms() -> int:
    """Now. [UTC ms]"""
    import time

    return time.time_ns() // 1_000_000


def _log_to_stderr(verbose: bool) -> None:
    logging.basicConfig(
        level=logging.DEBUG if verbose else logging.INFO,
        format="%(asctime)s %(levelname)s %(name)s: %(message)s",
        stream=sys.stderr,
    )
    for noisy in ("httpx", "httpcore", "alembic", "asyncio", "numba"):
        logging.getLogger(noisy).setLevel(logging.WARNING)


def _stop_event() -> Event:
    """Set by Ctrl-C, by a polite kill, or when the supervising process has gone."""
    import signal
    import threading

    from api.supervisor import PARENT

    stop = threading.Event()

    def ask(_signal: int, _frame: object) -> None:
        stop.set()

    signal.signal(signal.SIGINT, ask)
    signal.signal(signal.SIGTERM, ask)
    parent = os.environ.get(PARENT)
    if parent is not None:
        _watch_parent(int(parent), stop)
    return stop


def _watch_parent(parent: int, stop: Event) -> None:
    """An orphan stops: its supervisor was killed, and a new one will start its own."""
    import threading

    def watch() -> None:
        while not stop.wait(1.0):
            if os.getppid() != parent:
                stop.set()

    threading.Thread(target=watch, name="parent-watch", daemon=True).start()
