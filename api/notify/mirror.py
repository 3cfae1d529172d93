"""The present state of every alarm on the broker: a retained topic each, for displays and programs on site.

It is no message to anybody: who subscribes sees how things stand. So nothing is remembered; a
restart, or a broker that came back, gets all of it again.
"""

from __future__ import annotations

import json
import logging
import ssl
import threading
from collections.abc import Callable, Mapping
from threading import Event
from typing import Any, Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

from api.alarms.standing import Standing, standings
from api.speech import Speaker
from ingest.brokerurl import BrokerUrl
from ingest.errors import BrokerError, StoreUnavailable
from ingest.instants import to_rfc3339
from ingest.site import ALARM_LEVEL, Site
from ingest.store.records import Records

log = logging.getLogger("ullage.notify")

INTERVAL_S: Final = 5.0
_KEEPALIVE_S: Final = 60
_ANSWER_WITHIN_S: Final = 10.0


def topics(sites: Mapping[str, Site], records: Records, prefix: str, now_ms: int) -> dict[str, bytes]:
    """Topic → what it shall say: `PREFIX/SITE/alarm/ALARM`. Raises StoreUnavailable."""
    return {
        f"{prefix}/{site.id}/{ALARM_LEVEL}/{standing.alarm}": _payload(standing, site)
        for site in sites.values()
        for standing in standings(records, site, now_ms)
    }


def _payload(standing: Standing, site: Site) -> bytes:
    speaker, kind, last = Speaker(site.zone), standing.alarm.kind, standing.last
    said: dict[str, Any] = {
        "state": standing.state,
        "priority": kind.priority,
        "since": None if last is None else to_rfc3339(last.time_ms),
        "muted": None if standing.mute is None else standing.mute.mark,
        "title": speaker.say(standing.wording.title),
        "reason": "" if last is None else last.reason,
        "action": speaker.say(standing.wording.action),
    }
    return json.dumps(said, ensure_ascii=False, allow_nan=False).encode()


class Mirror:
    """Publishes what has changed, retained and at QoS 1.

    state  the topics and what they shall say now
    """

    def __init__(self, broker: BrokerUrl, state: Callable[[], Mapping[str, bytes]]) -> None:
        self._client = connected(broker)
        self._state = state
        self._shown: dict[str, bytes] = {}
        self._anew = threading.Event()
        self._client.on_connect = self._on_connect

    def run(self, stop: Event, interval_s: float = INTERVAL_S) -> None:
        """Show it until told to stop. A store or a broker out of reach is waited for."""
        self._client.loop_start()
        try:
            while not stop.is_set():
                try:
                    self.show()
                except StoreUnavailable as error:
                    log.warning("the state of the alarms cannot be read now: %s", error)
                stop.wait(interval_s)
        finally:
            self._client.disconnect()
            self._client.loop_stop()

    def show(self) -> None:
        """Publish what differs from what the broker has acknowledged."""
        if not self._client.is_connected():
            return
        if self._anew.is_set():
            self._anew.clear()
            self._shown.clear()
        for topic, payload in self._state().items():
            if self._shown.get(topic) == payload:
                continue
            try:
                sent = self._client.publish(topic, payload, qos=1, retain=True)
                sent.wait_for_publish(_ANSWER_WITHIN_S)
            except (RuntimeError, ValueError):
                return  # the connection was lost: all of it again, once it is back
            if not sent.is_published():
                return
            self._shown[topic] = payload

    def _on_connect(self, _client: object, _userdata: object, _flags: object, code: ReasonCode, _props: object) -> None:
        if code.is_failure:
            log.error("the broker refuses the user that shows alarms: %s", code)
        self._anew.set()


def connected(broker: BrokerUrl) -> mqtt.Client:
    """A client on its way to a broker; it keeps trying once its loop runs."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, "ullage-alarms", clean_session=True)
    if broker.user is not None:
        client.username_pw_set(broker.user, broker.password)
    if broker.tls:
        client.tls_set(cert_reqs=ssl.CERT_REQUIRED)
    client.connect_async(broker.host, broker.port, _KEEPALIVE_S)
    return client


def publish_once(broker: BrokerUrl, topic: str, payload: bytes) -> None:
    """Publish one message that is not retained, and wait for the acknowledgement. Raises BrokerError."""
    client = connected(broker)
    refused: list[ReasonCode] = []
    answered = threading.Event()

    def on_connect(_c: object, _u: object, _f: object, code: ReasonCode, _p: object) -> None:
        refused.extend([code] if code.is_failure else [])
        answered.set()

    client.on_connect = on_connect
    try:
        client.connect(broker.host, broker.port, _KEEPALIVE_S)
        client.loop_start()
        if not answered.wait(_ANSWER_WITHIN_S) or refused:
            raise BrokerError(
                f"the broker at {broker.shown} does not take us: {refused[0] if refused else 'no answer'}"
            )
        sent = client.publish(topic, payload, qos=1)
        sent.wait_for_publish(_ANSWER_WITHIN_S)
        if not sent.is_published():
            raise BrokerError(f"the broker at {broker.shown} does not acknowledge")
    except (OSError, RuntimeError, ValueError) as error:
        raise BrokerError(f"no broker at {broker.shown}: {error}") from error
    finally:
        client.disconnect()
        client.loop_stop()
