"""A password of its own lets a device publish to its own topics and no others, and is taken back without a restart."""

from __future__ import annotations

import stat
from collections.abc import Iterator
from pathlib import Path

import pytest

from ingest import broker as broker_module
from ingest.broker import COLLECTOR, DEVICE, Broker, Credentials
from ingest.devices import (
    FILE,
    NAMED_FILE,
    give_password,
    read_devices,
    share,
    take_password,
    topics_named,
    topics_of,
)
from ingest.errors import BrokerError
from ingest.site import Site
from tests.ingest.test_broker import WAIT_S, Client

POST = "skerrow-head/post-1"


@pytest.fixture
def broker(tmp_path: Path, free_port: int, skerrow_head: Site, monkeypatch: pytest.MonkeyPatch) -> Iterator[Broker]:
    monkeypatch.setattr(broker_module, "_ASK_EVERY_S", 0.1)
    topics = topics_of([skerrow_head], "ullage")
    with Broker(tmp_path / "broker", port=free_port, device_topics=topics) as running:
        running.supervise(lambda error: pytest.fail(str(error)))
        yield running


def eventually_let_in(broker: Broker, who: Credentials, *, expected: bool) -> Client:
    """Connect until the broker has read the file."""
    for _ in range(100):
        client = Client(broker, who, "post-1")
        if client.connected.get(timeout=WAIT_S) is expected:
            return client
        client.close()
    pytest.fail("the broker did not take the change")


def test_a_device_publishes_to_its_own_topics_alone(broker: Broker) -> None:
    collector = Client(broker, broker.credentials(COLLECTOR), "collector")
    assert collector.subscribe("ullage/+/+/senml")
    device = eventually_let_in(broker, Credentials(POST, give_password(broker.folder, POST)), expected=True)
    assert not device.subscribe("ullage/#")
    device.publish("ullage/tarn-orchard/post-1/senml", "foreign")
    device.publish("ullage/skerrow-head/post-2/senml", "a neighbour's")
    device.publish("ullage/skerrow-head/post-1/senml", "own")
    assert collector.messages.get(timeout=WAIT_S).payload == b"own"
    device.close()
    collector.close()


def test_a_password_is_taken_back_and_the_shared_one_too_while_the_broker_runs(broker: Broker) -> None:
    first = broker.pid
    who = Credentials(POST, give_password(broker.folder, POST))
    eventually_let_in(broker, who, expected=True).close()
    assert take_password(broker.folder, POST)
    eventually_let_in(broker, who, expected=False).close()
    eventually_let_in(broker, broker.credentials(DEVICE), expected=True).close()
    share(broker.folder, shared=False)
    eventually_let_in(broker, broker.credentials(DEVICE), expected=False).close()
    assert broker.pid == first


def test_a_password_is_private_renewed_and_taken_once(tmp_path: Path) -> None:
    old, new = give_password(tmp_path, POST), give_password(tmp_path, POST)
    assert old != new
    assert read_devices(tmp_path).passwords == {POST: new}
    assert stat.S_IMODE((tmp_path / FILE).stat().st_mode) == 0o600
    assert take_password(tmp_path, POST)
    assert not take_password(tmp_path, POST)


def test_a_damaged_file_is_named(tmp_path: Path) -> None:
    (tmp_path / FILE).write_text("[")
    with pytest.raises(BrokerError, match=FILE):
        read_devices(tmp_path)
    (tmp_path / NAMED_FILE).write_text("[]")
    with pytest.raises(BrokerError, match=NAMED_FILE):
        topics_named(tmp_path, POST)


def test_the_broker_says_which_devices_its_site_files_name(broker: Broker) -> None:
    assert topics_named(broker.folder, POST) == ["ullage/skerrow-head/post-1/#"]


def test_topics_of_its_own_belong_to_a_device(tarn_orchard: Site) -> None:
    topics = topics_of([tarn_orchard], "ullage")
    assert topics["tarn-orchard/lower-post"] == ["ullage/tarn-orchard/lower-post/#", "orchard/lower-post/state"]
