"""All roles of an installation, composed: the broker, and one process for each role."""

from __future__ import annotations

import logging
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from api.supervisor import Role, Supervisor
from ingest.broker import COLLECTOR, Broker
from ingest.errors import BrokerError
from ingest.payload import Decoder
from ingest.role import IngestSettings, bundled_broker
from ingest.site import Site
from ingest.sitefile import load_sites

log = logging.getLogger("ullage.supervisor")


def broker_for(sites_path: Path, sites: dict[str, Site], data: Path, host: str, port: int, prefix: str) -> Broker:
    """The bundled broker of an installation: it lets devices publish, and knows the collector's session."""
    settings = IngestSettings(sites_path, data, host=host, port=port, prefix=prefix)
    return bundled_broker(settings, Decoder(sites, prefix))


def role(
    name: str, *arguments: object, broker: str = "", on_line: Callable[[str], None] | None = None, label: str = ""
) -> Role:
    """A role as a process: `ullage NAME ARGUMENTS`, by this Python and this tree; the broker's URL holds a secret."""
    environment = {"ULLAGE_BROKER": broker} if broker else {}
    return Role(label or name, [sys.executable, "-m", "api.cli", name, *map(str, arguments)], environment, on_line)


def roles(sites: Path, data: Path, host: str, port: int, broker_url: str, prefix: str, rain: Path | None) -> list[Role]:
    """Collector, forecaster and API of an installation."""
    return [
        role("ingest", sites, "--data", data, "--prefix", prefix, broker=broker_url),
        role("forecast", sites, "--data", data, *(["--rain", rain] if rain else [])),
        role("api", sites, "--data", data, "--host", host, "--port", port),
    ]


@contextmanager
def running_broker(broker: Broker, stop: threading.Event) -> Iterator[Broker]:
    """The bundled broker, restarted when it falls; when it stays down, everything stops."""
    given_up: list[BrokerError] = []

    def give_up(error: BrokerError) -> None:
        given_up.append(error)
        stop.set()

    broker.start()
    broker.supervise(give_up)
    try:
        yield broker
    finally:
        broker.stop()
    if given_up:
        raise given_up[0]


def prepare(data: Path) -> None:
    """Make the data folder and bring its records up to date, before several processes open them."""
    from ingest.store.records import Records  # noqa: PLC0415 - only here is SQLAlchemy needed

    data.mkdir(parents=True, exist_ok=True)
    Records(f"sqlite:///{data / 'records.db'}").close()


def supervise(running: Sequence[Role], stop: threading.Event, logs: Path | None = None) -> None:
    """Run roles until `stop`, then stop them."""
    supervisor = Supervisor(running, logs)
    supervisor.start()
    try:
        supervisor.watch(stop)
    finally:
        supervisor.stop()


def run_up(
    sites: Path,
    data: Path,
    host: str,
    port: int,
    mqtt_host: str,
    mqtt_port: int,
    broker_url: str,
    prefix: str,
    rain: Path | None,
    stop: threading.Event,
) -> None:
    """Everything for real sites until `stop`; with a broker of one's own, all but the broker.

    Raises SiteFileError before anything is started, BrokerError or RoleFailedError when a part stays down.
    """
    loaded = load_sites(sites)
    prepare(data)
    if broker_url:
        supervise(roles(sites, data, host, port, broker_url, prefix, rain), stop)
        return
    broker = broker_for(sites, loaded, data, mqtt_host, mqtt_port, prefix)
    with running_broker(broker, stop):
        log.info("devices connect as in %s", data / "broker" / "broker-secrets.json")
        supervise(roles(sites, data, host, port, broker.url(COLLECTOR), prefix, rain), stop)
