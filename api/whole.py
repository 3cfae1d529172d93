"""All roles of an installation, composed: the broker, and one process for each role."""

from __future__ import annotations

import logging
import socket
import sys
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from api.supervisor import Role, Supervisor
from forecast.outlook.choose import OutlookSettings
from ingest.broker import ALARMS, COLLECTOR, DEVICE, Broker
from ingest.errors import BrokerError, SettingsError
from ingest.payload import Decoder
from ingest.private import private_folder
from ingest.role import IngestSettings, bundled_broker
from ingest.site import Site
from ingest.sitefile import load_sites

log = logging.getLogger("ullage.supervisor")


@dataclass(frozen=True)
class Installation:
    """What an installation is made of.

    sites, data   site files (or one); folder of everything that is kept
    host, port    where page and API listen
    mqtt_host, mqtt_port  where the bundled broker listens
    broker        URL of a broker of one's own instead; empty: the bundled one
    prefix        first level of all topics
    rain          folder of rain records, SITE.csv each
    outlook, contact  where the weather to come is asked, and whom its service may write to
    keep_days     readings older than this go, their hourly roll-ups stay [d]
    demo          nobody signs in
    readings, records  URLs of stores elsewhere; empty: in the data folder
    """

    sites: Path
    data: Path
    host: str = "127.0.0.1"
    port: int = 8080
    mqtt_host: str = "127.0.0.1"
    mqtt_port: int = 1883
    broker: str = ""
    prefix: str = "ullage"
    rain: Path | None = None
    outlook: str = "none"
    contact: str = ""
    keep_days: float | None = None
    readings: str = ""
    records: str = ""
    demo: bool = False

    def bundled(self, sites: dict[str, Site]) -> Broker:
        """Its broker, not yet started: it lets devices publish, and knows the collector's session."""
        settings = IngestSettings(self.sites, self.data, host=self.mqtt_host, port=self.mqtt_port, prefix=self.prefix)
        return bundled_broker(settings, Decoder(sites, self.prefix), sites.values())

    def roles(self, broker_url: str, alarm_url: str = "") -> list[Role]:
        """Its collector, forecaster and API; alarm_url: of the broker that shows the state of the alarms."""
        secrets = {"ULLAGE_BROKER": broker_url, "ULLAGE_READINGS": self.readings, "ULLAGE_RECORDS_URL": self.records}
        access = {"ULLAGE_DEMO": "on" if self.demo else "off"}
        shown = {"ULLAGE_ALARM_BROKER": alarm_url, "ULLAGE_PREFIX": self.prefix}
        keep = ["--keep-days", self.keep_days] if self.keep_days is not None else []
        rain = ["--rain", self.rain] if self.rain else []
        weather = ["--outlook", self.outlook, *(["--contact", self.contact] if self.contact else [])]
        return [
            role("ingest", self.sites, "--data", self.data, "--prefix", self.prefix, *keep, secrets=secrets),
            role("forecast", self.sites, "--data", self.data, *rain, *weather, secrets=secrets),
            role(
                "api",
                self.sites,
                "--data",
                self.data,
                "--host",
                self.host,
                "--port",
                self.port,
                *rain,
                secrets=secrets | access | shown,
            ),
        ]


def role(
    name: str,
    *arguments: object,
    secrets: Mapping[str, str],
    on_line: Callable[[str], None] | None = None,
    label: str = "",
) -> Role:
    """A role as a process: `ullage NAME ARGUMENTS`, by this Python and this tree.

    secrets  URLs that may hold passwords, by environment variable; an empty one is left out
    """
    environment = {variable: url for variable, url in secrets.items() if url}
    return Role(label or name, [sys.executable, "-m", "api.cli", name, *map(str, arguments)], environment, on_line)


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


def check_free(host: str, port: int) -> None:
    """Raise SettingsError when nobody can listen there: better now than by a role that falls again and again."""
    with socket.socket(socket.AF_INET6 if ":" in host else socket.AF_INET) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as error:
            raise SettingsError(
                f"the page cannot be served on {host}:{port} ({error.strerror}): "
                "stop what listens there, or choose another --port or --host"
            ) from error


def prepare(data: Path, records: str = "") -> None:
    """Make the data folder and bring the records up to date, before several processes open them."""
    from ingest.store.records import Records  # noqa: PLC0415 - only here is SQLAlchemy needed

    private_folder(data)
    Records(records or f"sqlite:///{data / 'records.db'}").close()


def supervise(running: Sequence[Role], stop: threading.Event, logs: Path | None = None) -> None:
    """Run roles until `stop`, then stop them."""
    supervisor = Supervisor(running, logs)
    supervisor.start()
    try:
        supervisor.watch(stop)
    finally:
        supervisor.stop()


def run_up(installation: Installation, stop: threading.Event) -> None:
    """Everything for real sites until `stop`; with a broker of one's own, all but the broker.

    Raises SiteFileError or SettingsError before anything is started, BrokerError or RoleFailedError
    when a part stays down.
    """
    sites = load_sites(installation.sites)
    OutlookSettings(installation.outlook, installation.contact)
    check_free(installation.host, installation.port)
    log.info("the page will be at http://%s:%d/", installation.host, installation.port)
    prepare(installation.data, installation.records)
    if installation.broker:
        supervise(installation.roles(installation.broker), stop)
        return
    with running_broker(installation.bundled(sites), stop) as broker:
        log.info(
            "devices log in at %s:%d as %s, with the password that stands beside that word in %s; "
            "`ullage token device SITE/DEVICE` gives one a password of its own",
            broker.host, broker.port, DEVICE, broker.folder / "broker-secrets.json",
        )  # fmt: skip
        supervise(installation.roles(broker.url(COLLECTOR), broker.url(ALARMS)), stop)
