"""What the broker refuses before the collector sees it leaves a trace like any other message."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from pathlib import Path

import pytest

from ingest.broker import Broker, Credentials
from ingest.continuity import subject_of, topic_of
from ingest.devices import give_password, topics_of
from ingest.payload import is_for, is_nobodys
from ingest.refusals import EVERY_MS, Refusals
from ingest.site import Site
from ingest.store.sqlite import SqliteStore
from tests.faults.rig import until
from tests.ingest.test_broker import Client
from tests.ingest.test_devices import POST

NOW = 1_795_600_000_000
LINE = (
    '[7] 2026/11/29 15:47:00.502733 [ERR] 192.0.2.7:43088 - mid:10 - "post" - Publish Violation - Subject "ullage.{}"\n'
)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    opened = SqliteStore(tmp_path / "readings.db")
    yield opened
    opened.close()


def test_a_foreign_topic_and_a_wrong_password_are_told(
    tmp_path: Path, free_port: int, skerrow_head: Site, store: SqliteStore, caplog: pytest.LogCaptureFixture
) -> None:
    folder = tmp_path / "broker"
    folder.mkdir()
    password = give_password(folder, POST)
    with Broker(folder, port=free_port, device_topics=topics_of([skerrow_head], "ullage")) as broker:
        refusals = Refusals(broker.log_file, "ullage", store)
        device = Client(broker, Credentials(POST, password), "post-one")
        assert device.connected.get(timeout=10)
        device.publish("ullage/skerrow-head/post.2/senml", "a neighbour's")
        device.publish("skerrow-head/post-1/senml", "without its prefix")
        device.close()
        for who in (Credentials(POST, "guessed"), Credentials("", "")):
            stranger = Client(broker, who, "stranger")
            assert not stranger.connected.get(timeout=10)
            stranger.close()
        now = iter(range(NOW, NOW + 10_000 * EVERY_MS, EVERY_MS))

        def told() -> bool:
            refusals.work(next(now))
            return len(store.rejects()) >= 4

        with caplog.at_level(logging.WARNING):
            until(told, "refusals")
    found = {reject.topic: reject for reject in store.rejects()}
    assert set(found) == {"ullage/skerrow-head/post.2/senml", "skerrow-head/post-1/senml", f"ullage/{POST}", "ullage"}
    assert "'post-one' may not publish here" in found["skerrow-head/post-1/senml"].reason
    assert "a password that the broker does not know" in found[f"ullage/{POST}"].reason
    assert "gave no name" in found["ullage"].reason
    assert all(is_nobodys(reject) for reject in found.values())
    assert is_for(skerrow_head, f"ullage/{POST}")
    assert not any(password in reject.reason or "guessed" in reject.reason for reject in found.values())
    assert caplog.text.count("refused on") == 4


def test_each_line_is_read_once_and_half_a_line_later(tmp_path: Path, store: SqliteStore) -> None:
    log_file = tmp_path / "nats.log"
    log_file.write_text(LINE.format("before"))
    refusals = Refusals(log_file, "ullage", store)
    refusals.work(NOW)
    assert store.rejects() == []
    with log_file.open("a") as file:
        file.write(LINE.format("one") + "[7] [INF] nothing to us\n" + LINE.format("two")[:90])
    refusals.work(NOW + EVERY_MS // 2)  # not yet
    assert store.rejects() == []
    refusals.work(NOW + EVERY_MS)
    assert [reject.topic for reject in store.rejects()] == ["ullage/one"]
    with log_file.open("a") as file:
        file.write(LINE.format("two")[90:])
    refusals.work(NOW + 2 * EVERY_MS)
    refusals.work(NOW + 3 * EVERY_MS)
    assert [reject.topic for reject in store.rejects()] == ["ullage/two", "ullage/one"]
    log_file.unlink()
    refusals.work(NOW + 4 * EVERY_MS)


def test_who_tries_a_thousand_names_fills_no_table(tmp_path: Path, store: SqliteStore) -> None:
    log_file = tmp_path / "nats.log"
    refusals = Refusals(log_file, "ullage", store)
    log_file.write_text("".join(LINE.format(f"t{number}") for number in range(1000)))
    refusals.work(NOW)
    refusals.work(NOW + EVERY_MS)
    assert len(store.rejects()) == 20


def test_a_password_in_the_place_of_the_name_is_not_shown(tmp_path: Path, store: SqliteStore) -> None:
    log_file = tmp_path / "nats.log"
    refusals = Refusals(log_file, "ullage", store)
    users = ("jNrYdFZ8O1SZfY36AfIAk7KSE2eZv9AT", "device", POST)
    log_file.write_text(
        "".join(f'[7] now [ERR] 192.0.2.7:4 - mid:1 - "x" - authentication error - User "{user}"\n' for user in users)
    )
    refusals.work(NOW)
    found = {reject.topic: reject.reason for reject in store.rejects()}
    assert set(found) == {"ullage", "ullage/device", f"ullage/{POST}"}
    assert "name and password swapped?" in found["ullage"]
    assert not any(users[0] in reason for reason in found.values())


def test_who_gives_no_name_or_an_odd_one_is_told(tmp_path: Path, store: SqliteStore) -> None:
    log_file = tmp_path / "nats.log"
    refusals = Refusals(log_file, "ullage", store)
    ends = ("authentication error", "unable to connect: authentication error", 'invalid character in client ID "a b"')
    log_file.write_text("".join(f'[7] now [ERR] 192.0.2.7:4 - mid:1 - "a b" - {end}\n' for end in ends))
    refusals.work(NOW)
    cut_off, nameless = (reject.reason for reject in store.rejects())
    assert "192.0.2.7 gave no name" in nameless
    assert "'a b' at 192.0.2.7 was cut off: invalid character" in cut_off


@pytest.mark.parametrize("topic", ["ullage/a/b/senml", "ullage/a.b/c", "a", "orchard/lower.post/state.x"])
def test_a_topic_comes_back_from_its_subject(topic: str) -> None:
    assert topic_of(subject_of(topic)) == topic
