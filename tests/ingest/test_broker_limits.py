"""A full broker acknowledges nothing more, loses nothing, and goes on by itself when there is room."""

from __future__ import annotations

import json
import time
from collections import namedtuple
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from ingest import broker as broker_module
from ingest.broker import COLLECTOR, DEVICE, Broker
from ingest.brokerurl import parse_url
from ingest.monitoring import Monitoring
from ingest.session import Session
from tests.mosquitto import Mosquitto
from tests.publisher import Publisher

TOPIC = "ullage/skerrow-head/post-1/senml"
FILTERS = ["ullage/+/+/senml"]
WAIT_S = 20.0


def payload(number: int) -> bytes:
    return b"%06d" % number + b"x" * 1000


def until(condition: Callable[[], object], what: str) -> None:
    end = time.monotonic() + WAIT_S
    while not condition():
        assert time.monotonic() < end, what
        time.sleep(0.02)


def quiet(publisher: Publisher) -> int:
    """Wait until nothing more is acknowledged; how many were."""
    count, since = 0, time.monotonic()
    while time.monotonic() - since < 1.0:
        if len(publisher.acknowledged) > count:
            count, since = len(publisher.acknowledged), time.monotonic()
        time.sleep(0.02)
    return count


def drain(session: Session, received: set[int], wanted: Callable[[], int]) -> None:
    """Receive and acknowledge until so many different ones came, or none for long."""
    end = time.monotonic() + WAIT_S
    while len(received) < wanted() and time.monotonic() < end:
        batch = session.receive(0.2, 0.05, 0.003, 1000)
        received |= {int(message.payload[:6]) for message in batch}
        session.acknowledge(batch)


def test_a_full_broker_acknowledges_nothing_more_and_the_collector_can_empty_it(tmp_path: Path, free_port: int) -> None:
    with Broker(tmp_path / "broker", port=free_port, max_file_bytes=2_000_000, ack_wait_s=1) as broker:
        collector = parse_url(broker.url(COLLECTOR))
        Session(collector, "collector", FILTERS).close()
        publisher = Publisher(broker.url(DEVICE), TOPIC, payload, rate=20_000, window=50)
        try:
            kept = quiet(publisher)
            assert 1_000 < kept < 2_000
            monitoring = broker.monitoring
            assert monitoring is not None
            stored = monitoring.stored()
            assert stored is not None
            assert stored.messages == kept
            assert stored.share > 0.99
            assert monitoring.trouble() is None
            received: set[int] = set()
            with Session(collector, "collector", FILTERS) as session:
                drain(session, received, lambda: kept + 500)  # the device goes on by itself
                publisher.finish(0.5)
                drain(session, received, lambda: len(publisher.acknowledged))
            assert set(publisher.acknowledged) <= received
        finally:
            publisher.close()


def test_the_bounds_are_renewed_at_each_start_and_keep_what_is_there(tmp_path: Path, free_port: int) -> None:
    for most in (4_000_000, 8_000_000):
        with Broker(tmp_path, port=free_port, max_file_bytes=most) as broker:
            session = Session(parse_url(broker.url(COLLECTOR)), "collector", FILTERS)
            session.close()
            monitoring = broker.monitoring
            assert monitoring is not None
            with monitoring._open("/jsz?streams=true&config=true") as answer:
                streams = json.load(answer)["account_details"][0]["stream_detail"]
            bounds = {stream["name"]: stream["config"] for stream in streams}["$MQTT_msgs"]
            assert (bounds["max_bytes"], bounds["discard"]) == (most * 7 // 8, "new")
            assert bounds["retention"] == "interest"


Usage = namedtuple("Usage", "total used free")


@pytest.mark.parametrize(("free", "anew"), [(10**9, True), (10**6, False)])
def test_a_broker_that_takes_nothing_is_started_anew_once_there_is_room(
    tmp_path: Path, free_port: int, monkeypatch: pytest.MonkeyPatch, free: int, anew: bool
) -> None:
    monkeypatch.setattr(broker_module, "_ASK_EVERY_S", 0.05)
    monkeypatch.setattr("shutil.disk_usage", lambda _path: Usage(10**9, 0, free))
    with Broker(tmp_path, port=free_port) as broker:
        first = broker.pid
        trouble = Monitoring.trouble
        asked = []

        def ill(self: Monitoring) -> str | None:
            if f"_{first}." not in str(self._ports):
                return trouble(self)
            asked.append(1)
            return "no space left on device"

        monkeypatch.setattr(Monitoring, "trouble", ill)
        broker.supervise(lambda error: pytest.fail(str(error)))
        until(lambda: len(asked) >= 6 or broker.pid not in (None, first), "questions")
        if anew:
            until(lambda: broker.pid not in (None, first), "a new server")
        else:
            assert broker.pid == first


def test_a_full_mosquitto_acknowledges_and_drops_and_counts_what_it_dropped(tmp_path: Path, free_port: int) -> None:
    """The reason for max_queued_messages 1000000, and for the watch."""
    dropped = "$SYS/broker/publish/messages/dropped"
    with Mosquitto(tmp_path / "mosquitto", free_port, queued=100) as broker:
        collector = parse_url(broker.url(COLLECTOR))
        Session(collector, "collector", FILTERS).close()
        publisher = Publisher(broker.url(DEVICE), TOPIC, payload, rate=2_000)
        until(lambda: len(publisher.acknowledged) > 2_000, "acknowledgements")
        acknowledged = publisher.finish()
        counted: list[int] = []
        received: set[int] = set()
        with Session(collector, "collector", FILTERS, [dropped]) as session:

            def told() -> bool:
                batch: list[Any] = session.receive(0.2, 0.05, 0.003, 1000)
                session.acknowledge(batch)
                counted.extend(int(message.payload) for message in batch if message.topic == dropped)
                received.update(int(message.payload[:6]) for message in batch if message.topic == TOPIC)
                return bool(counted) and counted[-1] == len(acknowledged - received)

            until(told, "the count")
        assert len(acknowledged - received) > 500
