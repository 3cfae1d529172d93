"""The demonstration: invented sites live on this machine, and everything watches them.

It listens on loopback only. Everything it shows is invented.
"""

from __future__ import annotations

import json
import shutil
import socket
import threading
import time
from pathlib import Path
from typing import Final

import httpx
from rich.console import Console
from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

from api.supervisor import Role, Supervisor
from api.whole import Installation, check_free, prepare, role, running_broker
from ingest.broker import ALARMS, COLLECTOR, DEVICE
from ingest.errors import SettingsError
from ingest.instants import DAY_MS, HOUR_MS, floor_hour
from ingest.private import private_folder
from ingest.site import Site
from ingest.sitefile import load_sites

EXAMPLES: Final = Path(__file__).parent.parent / "deploy" / "sites"
HOST: Final = "127.0.0.1"
#: Years of invented rain that stand behind the outlook.
_HISTORY_YEARS: Final = 10
_POLL_S: Final = 0.5


def run_demo(data: Path, days: int, port: int, stop: threading.Event) -> None:
    """Run the demonstration in a folder until `stop` (Ctrl-C)."""
    if not EXAMPLES.is_dir():
        raise SettingsError(f"{EXAMPLES}: the example sites are not here; run the demo from the project's own tree")
    console = Console()
    data = data.resolve()
    sites_folder, rain_folder = data / "sites", data / "rain"
    prepare(data)
    sites = _example_sites(sites_folder)
    console.print(f"Ullage demonstration: {len(sites)} invented sites. Everything is kept in {data}")
    with console.status("writing ten years of invented rain"):
        _rain_history(sites, rain_folder, now_ms=time.time_ns() // 1_000_000)
    installation = Installation(
        sites_folder, data, HOST, port or free_port(), mqtt_port=free_port(), rain=rain_folder, demo=True
    )
    check_free(HOST, installation.port)
    with running_broker(installation.bundled(sites), stop) as broker:
        watching = _Watching(sites, f"http://{HOST}:{installation.port}", days, console)
        simulated = [_simulated(sites_folder / f"{site}.toml", broker.url(DEVICE), days, watching) for site in sites]
        supervisor = Supervisor(
            [*installation.roles(broker.url(COLLECTOR), broker.url(ALARMS)), *simulated], logs=data / "logs"
        )
        supervisor.start()
        watcher = threading.Thread(target=watching.show, args=(stop,), daemon=True)
        watcher.start()
        try:
            supervisor.watch(stop)
        finally:
            stop.set()
            watcher.join()
            console.print("stopping")
            supervisor.stop()
    console.print(f"stopped; the data stay in {data}")


def _simulated(file: Path, broker_url: str, days: int, watching: _Watching) -> Role:
    """An invented site as a process, which tells its progress line by line."""
    return role(
        "simulate", file, "--days", days, "--json",
        secrets={"ULLAGE_BROKER": broker_url}, on_line=watching.heard, label=f"simulate-{file.stem}",
    )  # fmt: skip


def free_port() -> int:
    """A loopback port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


def _example_sites(folder: Path) -> dict[str, Site]:
    """Copy the example site files where the reader may change them; what is there already stays."""
    private_folder(folder)
    for file in EXAMPLES.glob("*.toml"):
        if not (folder / file.name).exists():
            shutil.copy(file, folder)
    return load_sites(folder)


def _rain_history(sites: dict[str, Site], folder: Path, now_ms: int) -> None:
    """Ten years of invented hourly rain for each site, up to yesterday; written once."""
    from simulator.role import DEMO_SEED  # noqa: PLC0415 - NumPy, only for the demo
    from simulator.weather import hourly_record, write_record  # noqa: PLC0415

    private_folder(folder)
    hours = _HISTORY_YEARS * 365 * 24
    start_ms = floor_hour(now_ms) - DAY_MS - hours * HOUR_MS
    for site in sites.values():
        file = folder / f"{site.id}.csv"
        if file.exists():
            continue
        fresh = file.with_suffix(".new")  # a record cut short by Ctrl-C must not stay
        write_record(fresh, hourly_record(site, start_ms, hours, DEMO_SEED))
        fresh.replace(file)


class _Watching:
    """Shows how far it has come: backlog told, then a fresh forecast of each site, then the address."""

    def __init__(self, sites: dict[str, Site], url: str, days: int, console: Console) -> None:
        self._sites = sites
        self._url = url
        self._console = console
        self._begin_ms = time.time_ns() // 1_000_000 - days * DAY_MS
        self._days = days
        self._bars = Progress(
            SpinnerColumn(), TextColumn("{task.description}"), BarColumn(), TextColumn("{task.fields[said]}"),
            TimeElapsedColumn(), console=console, transient=False,
        )  # fmt: skip
        self._tasks = {site: self._bars.add_task(site, total=days, said="starting") for site in sites}

    def heard(self, line: str) -> None:
        """A line of JSON from a simulated site."""
        try:
            progress = json.loads(line)
            told_days = (progress["until_ms"] - self._begin_ms) / DAY_MS
            said = "live" if progress["live"] else f"day {told_days:.0f} of {self._days}"
            self._bars.update(
                self._tasks[progress["site"]],
                completed=self._days if progress["live"] else told_days,
                said=f"{said}, {progress['readings']} readings",
            )
        except (ValueError, KeyError, TypeError):
            self._console.print(line, markup=False)

    def show(self, stop: threading.Event) -> None:
        """Bars until every site has a fresh forecast, then the address of the page."""
        with self._bars:
            while not all(task.finished for task in self._bars.tasks) and not stop.wait(_POLL_S):
                pass
            task = self._bars.add_task("forecast", total=len(self._sites), said="waiting for the first")
            while not stop.wait(_POLL_S):
                fresh = sum(self._fresh(site) for site in self._sites)
                self._bars.update(task, completed=fresh, said=f"{fresh} of {len(self._sites)} sites")
                if fresh == len(self._sites):
                    break
        if not stop.is_set():
            self._console.print(f"\n  Open {self._url}/ in a browser. Ctrl-C stops everything.\n", style="bold")

    def _fresh(self, site: str) -> bool:
        """Whether the API shows a forecast of the site that is not stale."""
        try:
            answer = httpx.get(f"{self._url}/api/v1/sites/{site}/forecast", timeout=2)
            return answer.status_code == httpx.codes.OK and answer.json()["stale"] is False
        except (httpx.HTTPError, ValueError, KeyError):
            return False  # the service is not there yet
