"""A broker that lost the collector's session, or what belongs to it, keeps its messages all the same."""

from __future__ import annotations

import logging
import shutil
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from ingest.broker import COLLECTOR, DEVICE, Broker
from ingest.brokerurl import parse_url
from ingest.continuity import renew_session, subjects_of
from ingest.session import Session
from tests.faults.rig import TOPIC, publishing, until

CLIENT = "collector-under-test"
FILTERS = ("ullage/#", "orchard/lower.post/state")


def lose_the_session(messages: Path) -> None:
    """As though its record had never reached the disk."""
    shutil.rmtree(messages / "$MQTT_sess")


def damage_the_subscriptions(messages: Path) -> None:
    """As a disk leaves files that were being written when it filled."""
    for file in (messages / "$MQTT_msgs").rglob("obs/*/meta.inf"):
        file.write_bytes(b"")


def damage_one_subscription(messages: Path) -> None:
    """The other one is well, and its messages with it."""
    for file in (messages / "$MQTT_msgs").rglob("obs/*/meta.inf"):
        if "orchard" in file.read_text():
            file.write_bytes(b"")


def lose_nothing(messages: Path) -> None:
    """All is well."""


def order_of(filters: Sequence[str]) -> Callable[[Broker], object]:
    """What is done at a start, for a collector that wants these."""
    return lambda broker: renew_session(broker, COLLECTOR, CLIENT, filters)


def subjects(filters: Sequence[str]) -> set[str]:
    """What the broker subscribes the collector to, for these."""
    return {f"$MQTT.msgs.{subject}" for name in filters for subject in subjects_of(name)}


def subscriptions(broker: Broker) -> set[str]:
    with broker.keeper() as keeper:
        return set(keeper.subscriptions().values())


def send(broker: Broker, count: int) -> set[bytes]:
    """What the broker acknowledged of so many messages and some more."""
    with publishing(broker.url(DEVICE), 2000.0, lambda number: b"%d of %d" % (number, count)) as publisher:
        until(lambda: len(publisher.acknowledged) >= count, "acknowledgements")
        return {b"%d of %d" % (number, count) for number in publisher.finish()}


def collect(broker: Broker, wanted: set[bytes]) -> list[bytes]:
    """Everything that the broker hands over, until nothing more comes."""
    got: list[bytes] = []
    with Session(parse_url(broker.url(COLLECTOR)), CLIENT, FILTERS) as session:
        while batch := session.receive(10.0 if wanted - set(got) else 0.5, 0.2, 0.1, 10_000):
            session.acknowledge(batch)
            got += [message.payload for message in batch]
            assert {message.topic for message in batch} == {TOPIC}
    return got


@pytest.mark.parametrize(
    ("damage", "renewed"),
    [
        (lose_nothing, False),
        (lose_the_session, True),
        (damage_the_subscriptions, True),
        (damage_one_subscription, True),
    ],
)
def test_what_waits_and_what_comes_is_kept_whatever_the_broker_lost(
    damage: Callable[[Path], None], renewed: bool, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    order = order_of(FILTERS)
    broker = Broker(tmp_path / "broker", port=0, topics=("ullage/#", "orchard/#"), before_open=order)
    with broker:
        before = send(broker, 50)
    damage(tmp_path / "broker" / "messages" / "jetstream" / "$G" / "streams")
    caplog.clear()
    with (
        caplog.at_level(logging.ERROR),
        Broker(tmp_path / "broker", port=0, topics=("ullage/#", "orchard/#"), before_open=order) as again,
    ):
        after = send(again, 20)
        got = collect(again, before | after)
        with again.keeper() as keeper:
            assert set(keeper.subscriptions().values()) == subjects(FILTERS)
            until(lambda: not list(keeper.waiting(keeper.last_place())), "empty stream")
    assert set(got) == before | after
    assert len(got) == len(before | after)
    assert ("waiting messages put in again" in caplog.text) == renewed


def test_a_subscription_that_is_wanted_no_more_ends_when_nothing_waits_for_it(tmp_path: Path) -> None:
    before = ("ullage/+/+/senml", "ullage/+", "orchard/lower.post/state")

    def started(filters: Sequence[str]) -> Broker:
        return Broker(tmp_path / "broker", port=0, topics=("ullage/#", "orchard/#"), before_open=order_of(filters))

    with started(before) as broker:
        waits = send(broker, 50)
    with started(FILTERS) as again:
        assert len(subscriptions(again)) == 5  # of both
        assert set(collect(again, waits)) == waits
    with started(FILTERS) as at_last:
        assert subscriptions(at_last) == subjects(FILTERS)
        comes = send(at_last, 20)
        got = collect(at_last, comes)
    assert set(got) == comes
    assert len(got) == len(comes)
