"""The state of every alarm on a real broker: retained, so that who comes later sees it too."""

from __future__ import annotations

import json
import queue
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from api.alarms.types import alarms_of
from api.notify.mirror import Mirror, publish_once, topics
from ingest.broker import ALARMS, DEVICE, DISPLAY, Broker
from ingest.brokerurl import BrokerUrl, parse_url
from ingest.errors import BrokerError
from ingest.site import Site
from ingest.store.records import AlarmAction, Records, Transition
from tests.api.fakes import NOW_MS
from tests.conftest import RunningBroker

WAIT_S = 10.0
TOPIC = "ullage/skerrow-head/alarm/battery-low"
UP = Transition("skerrow-head", "battery-low", NOW_MS, "normal", "unacknowledged", "Battery 11.93 V.")


class Display:
    """Somebody who looks at the alarms: what it sees, in order."""

    def __init__(self, broker: RunningBroker) -> None:
        who = parse_url(broker.collector_url)
        self.seen: queue.Queue[mqtt.MQTTMessage] = queue.Queue()
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, "display", clean_session=True)
        self.client.username_pw_set(str(who.user), who.password)
        granted = threading.Event()
        self.client.on_message = lambda _c, _u, message: self.seen.put(message)
        self.client.on_subscribe = lambda *_: granted.set()
        connected = threading.Event()
        self.client.on_connect = lambda *_: connected.set()
        self.client.connect(broker.host, broker.port)
        self.client.loop_start()
        assert connected.wait(WAIT_S)
        self.client.subscribe("ullage/+/alarm/+", qos=1)
        assert granted.wait(WAIT_S)

    def next(self, topic: str) -> tuple[dict[str, Any], bool]:
        """The next state of one alarm, and whether the broker had kept it."""
        while True:
            message = self.seen.get(timeout=WAIT_S)
            if message.topic == topic:
                return json.loads(message.payload), message.retain

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


@contextmanager
def shown(broker: BrokerUrl, state: Callable[[], dict[str, bytes]]) -> Iterator[None]:
    stop = threading.Event()
    mirror = Mirror(broker, state)
    thread = threading.Thread(target=mirror.run, args=(stop, 0.02))
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join(WAIT_S)
        assert not thread.is_alive()


@pytest.fixture
def sites(skerrow_head: Site) -> dict[str, Site]:
    return {skerrow_head.id: skerrow_head}


def test_every_alarm_has_a_topic_with_its_state(records: Records, sites: dict[str, Site]) -> None:
    records.append_transitions([UP], [])
    records.append_alarm_action(
        AlarmAction("skerrow-head", "battery-low", NOW_MS, "shelve", "Ann", "new panel", NOW_MS + 3_600_000)
    )
    found = topics(sites, records, "water", NOW_MS + 1)
    assert set(found) == {f"water/skerrow-head/alarm/{alarm}" for alarm in alarms_of(sites["skerrow-head"])}
    said = json.loads(found["water/skerrow-head/alarm/battery-low"])
    assert (said["state"], said["since"], said["muted"]) == ("unacknowledged", "2026-11-25T12:04:00Z", "shelved")
    assert (said["title"], said["priority"]) == ("Battery is low", "medium")
    other = json.loads(found["water/skerrow-head/alarm/tank-low:main"])
    assert (other["state"], other["since"]) == ("normal", None)


def test_who_comes_later_sees_the_state_and_who_is_there_sees_it_change(
    any_broker: RunningBroker, records: Records, sites: dict[str, Site]
) -> None:
    records.append_transitions([UP], [])
    with shown(parse_url(any_broker.alarms_url), lambda: topics(sites, records, "ullage", NOW_MS + 1)):
        early = Display(any_broker)
        assert early.next(TOPIC)[0]["state"] == "unacknowledged"
        late = Display(any_broker)
        state, kept = late.next(TOPIC)
        assert (state["state"], kept) == ("unacknowledged", True)
        known = UP._replace(time_ms=NOW_MS + 1, old="unacknowledged", new="acknowledged", who="Ann")
        records.append_transitions([known], [])
        assert late.next(TOPIC)[0]["state"] == "acknowledged"
        for display in (early, late):
            display.close()


def test_only_what_changed_is_sent(nats_broker: RunningBroker) -> None:
    said = {"ullage/a/alarm/x": b"{}", "ullage/a/alarm/y": b"{}"}
    looked: queue.Queue[bool] = queue.Queue()

    def state() -> dict[str, bytes]:
        looked.put(True)
        return dict(said)

    display = Display(nats_broker)
    with shown(parse_url(nats_broker.alarms_url), state):
        display.next("ullage/a/alarm/y")
        for _ in range(looked.qsize() + 5):  # rounds in which nothing may come
            looked.get(timeout=WAIT_S)
        said["ullage/a/alarm/x"] = b'{"state": "normal"}'
        assert display.next("ullage/a/alarm/x")[0] == {"state": "normal"}
    assert display.seen.empty()
    display.close()


def test_a_test_message_is_acknowledged_or_says_why_not(nats_broker: RunningBroker) -> None:
    broker = parse_url(nats_broker.alarms_url)
    publish_once(broker, "ullage/alarm-test/alarm/alarm-test", b"{}")
    with pytest.raises(BrokerError, match="does not take us"):
        publish_once(broker._replace(password="wrong"), "ullage/alarm-test/alarm/alarm-test", b"{}")
    with pytest.raises(BrokerError, match=r"no broker at 127\.0\.0\.1:1"):
        publish_once(broker._replace(port=1), "ullage/x/alarm/y", b"{}")


def test_the_bundled_broker_lets_a_display_see_alarms_and_nothing_else(tmp_path: Path, free_port: int) -> None:
    with Broker(tmp_path / "broker", port=free_port) as broker:
        alarms, display = parse_url(broker.url(ALARMS)), broker.url(DISPLAY)
        seeing = Display(RunningBroker("nats", broker.host, broker.port, display, "", ""))
        with shown(alarms, lambda: {"ullage/a/alarm/x": b'{"state": "normal"}'}):
            assert seeing.next("ullage/a/alarm/x")[0] == {"state": "normal"}
        # The next two are acknowledged, as this broker does, and dropped.
        publish_once(parse_url(broker.url(DEVICE)), "ullage/a/alarm/x", b'{"state": "invented"}')
        publish_once(alarms, "ullage/a/post-1/senml", b"[]")
        granted: queue.Queue[bool] = queue.Queue()
        seeing.client.on_subscribe = lambda _c, _u, _m, codes, _p: granted.put(not codes[0].is_failure)
        seeing.client.subscribe("ullage/+/+/senml", qos=1)
        assert not granted.get(timeout=WAIT_S)
        publish_once(alarms, "ullage/a/alarm/x", b'{"state": "acknowledged"}')
        assert seeing.next("ullage/a/alarm/x")[0] == {"state": "acknowledged"}
        seeing.close()
