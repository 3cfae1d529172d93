"""Fixtures shared by all tests: example sites, free ports, and brokers of both kinds."""

from __future__ import annotations

import contextlib
import random
import socket
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from hypothesis import HealthCheck, settings
from paho.mqtt.enums import CallbackAPIVersion

from ingest.broker import ALARMS, COLLECTOR, DEVICE, Broker
from ingest.site import Site
from ingest.sitefile import load_site
from tests.mosquitto import Mosquitto
from tests.postgres import Postgres

ROOT = Path(__file__).parent.parent
SITES = ROOT / "deploy" / "sites"
PREFIX = "ullage"

# No example fails because the machine was busy: speed is measured in tests/bench, as a ratio.
settings.register_profile("unhurried", settings.default, deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("unhurried")


@dataclass(frozen=True)
class RunningBroker:
    """A broker to test against, and how the collector and a device reach it.

    kind        `nats` or `mosquitto`
    alarms_url  for whoever shows the state of the alarms
    """

    kind: str
    host: str
    port: int
    collector_url: str
    device_user: str
    device_password: str
    alarms_url: str = ""


class Device:
    """A device that publishes at QoS 1 and knows what the broker acknowledged."""

    def __init__(self, broker: RunningBroker, client_id: str = "post-1") -> None:
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id, clean_session=False)
        self.client.max_inflight_messages_set(500)
        self.client.max_queued_messages_set(0)
        self.client.reconnect_delay_set(1, 1)
        #: Message ids in the order of their acknowledgement, to be taken out by whoever counts them.
        self.acknowledged: deque[int] = deque()
        self.client.on_publish = lambda _c, _u, mid, _code, _props: self.acknowledged.append(mid)
        self.client.username_pw_set(broker.device_user, broker.device_password)
        self.client.connect(broker.host, broker.port)
        self.client.loop_start()

    def publish(self, topic: str, payload: bytes | str, *, retain: bool = False) -> mqtt.MQTTMessageInfo:
        """Send without waiting; the `mid` of the answer turns up in `acknowledged`."""
        return self.client.publish(topic, payload, qos=1, retain=retain)

    def deliver(self, topic: str, payload: bytes | str, *, retain: bool = False) -> None:
        """Send and wait for the acknowledgement."""
        info = self.publish(topic, payload, retain=retain)
        info.wait_for_publish(10)
        assert info.is_published()

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


ConnectDevice = Callable[..., Device]


@pytest.fixture
def connect_device() -> Iterator[ConnectDevice]:
    """Connects a device to a broker; it is disconnected at the end."""
    connected: list[Device] = []

    def connect(broker: RunningBroker, client_id: str = "post-1") -> Device:
        connected.append(Device(broker, client_id))
        return connected[-1]

    yield connect
    for device in connected:
        device.close()


def find_free_port() -> int:
    """A loopback port that nobody listened on a moment ago.

    Below the range from which the system takes ports for outgoing connections: such a one would
    be lost to any other test between a broker's stop and its restart.
    """
    while True:
        with socket.socket() as probe, contextlib.suppress(OSError):
            probe.bind(("127.0.0.1", random.randrange(20_000, 32_000)))
            return int(probe.getsockname()[1])


@pytest.fixture
def free_port() -> int:
    return find_free_port()


@pytest.fixture(scope="session")
def sites_folder() -> Path:
    """The folder of example site files."""
    return SITES


@pytest.fixture(scope="session")
def skerrow_head() -> Site:
    return load_site(SITES / "skerrow-head.toml")


@pytest.fixture(scope="session")
def tarn_orchard() -> Site:
    return load_site(SITES / "tarn-orchard.toml")


@pytest.fixture
def nats_broker(tmp_path: Path) -> Iterator[RunningBroker]:
    """The bundled broker, on a free port. It repeats itself sooner than in use, so that tests are short."""
    broker = Broker(tmp_path / "broker", port=find_free_port(), topics=(f"{PREFIX}/#", "orchard/#"), ack_wait_s=2)
    with broker:
        user, password = broker.credentials(DEVICE)
        yield RunningBroker("nats", broker.host, broker.port, broker.url(COLLECTOR), user, password, broker.url(ALARMS))


@pytest.fixture
def mosquitto_broker(tmp_path: Path) -> Iterator[RunningBroker]:
    """Debian's Mosquitto with the settings of deploy/mosquitto, on a free loopback port."""
    with Mosquitto(tmp_path / "mosquitto", find_free_port()) as broker:
        user, password = DEVICE, broker.password(DEVICE)
        yield RunningBroker(
            "mosquitto", broker.host, broker.port, broker.url(COLLECTOR), user, password, broker.url(DEVICE)
        )


@pytest.fixture(params=["nats", "mosquitto"])
def any_broker(request: pytest.FixtureRequest) -> RunningBroker:
    """Each broker in turn."""
    broker: RunningBroker = request.getfixturevalue(f"{request.param}_broker")
    return broker


@pytest.fixture(scope="session")
def postgres() -> Iterator[Postgres]:
    """A running PostgreSQL, for all tests that do not kill it."""
    with Postgres(find_free_port()) as server:
        yield server
