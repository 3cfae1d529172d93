"""A client that hears everything, for tests of what devices publish."""

from __future__ import annotations

import threading
from collections.abc import Callable
from types import TracebackType
from typing import Any, Final, NamedTuple
from urllib.parse import quote

from paho.mqtt.client import Client, MQTTMessage, MQTTv311
from paho.mqtt.enums import CallbackAPIVersion

from simulator.publish import endpoint_of
from tests.conftest import RunningBroker

#: Not `ullage/#`: that includes `ullage` itself, which the bundled broker forbids.
ALL_DEVICES: Final = "ullage/+/+/+"


class Heard(NamedTuple):
    topic: str
    payload: bytes
    retained: bool
    qos: int


class Listener:
    """Subscribed while the context lasts; `heard` grows."""

    def __init__(self, url: str, *filters: str) -> None:
        self.heard: list[Heard] = []
        self._endpoint = endpoint_of(url)
        self._changed = threading.Condition()
        self._subscribed = threading.Event()
        self._client = Client(CallbackAPIVersion.VERSION2, client_id="listener", protocol=MQTTv311)
        self._client.username_pw_set(self._endpoint.user, self._endpoint.password)
        self._client.on_connect = lambda client, *_: client.subscribe([(topic, 1) for topic in filters])
        self._client.on_subscribe = lambda *_: self._subscribed.set()
        self._client.on_message = self._on_message

    def _on_message(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        with self._changed:
            self.heard.append(Heard(message.topic, bytes(message.payload), message.retain, message.qos))
            self._changed.notify_all()

    def wait_until(self, enough: Callable[[list[Heard]], bool], within_s: float = 20.0) -> bool:
        """Whether enough was heard in time."""
        with self._changed:
            return self._changed.wait_for(lambda: enough(self.heard), within_s)

    def on(self, ending: str) -> list[Heard]:
        """What was heard on topics that end so."""
        with self._changed:
            return [message for message in self.heard if message.topic.endswith(ending)]

    def __enter__(self) -> Listener:
        self._client.connect(self._endpoint.host, self._endpoint.port)
        self._client.loop_start()
        assert self._subscribed.wait(10)
        return self

    def __exit__(
        self, _kind: type[BaseException] | None, _error: BaseException | None, _trace: TracebackType | None
    ) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def said_goodbye(heard: list[Heard]) -> bool:
    """Whether the last that was heard is a device going offline."""
    return bool(heard) and heard[-1].payload == b"offline"


def device_url(broker: RunningBroker, password: str | None = None) -> str:
    """The broker's URL for a device."""
    secret = quote(password or broker.device_password, safe="")
    return f"mqtt://{broker.device_user}:{secret}@{broker.host}:{broker.port}"
