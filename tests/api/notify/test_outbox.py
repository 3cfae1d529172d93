from __future__ import annotations

import threading

import pytest

from api.notify.channels import DeliveryFailed
from api.notify.outbox import Outbox, retry_after_ms
from ingest.errors import StoreUnavailable
from ingest.instants import HOUR_MS, SECOND_MS
from ingest.store.records import Notification, Records, Transition
from tests.api.fakes import NOW_MS, Clock


class Receiver:
    """A channel that notes what it got, and fails while told to."""

    def __init__(self) -> None:
        self.got: list[str] = []
        self.tried = 0
        self.down = False
        self.closed = False

    def deliver(self, transition: Transition, now_ms: int) -> None:
        self.tried += 1
        if self.down:
            raise DeliveryFailed("it is down")
        self.got.append(transition.reason)

    def close(self) -> None:
        self.closed = True


@pytest.fixture
def receiver() -> Receiver:
    return Receiver()


@pytest.fixture
def outbox(records: Records, clock: Clock, receiver: Receiver) -> Outbox:
    return Outbox(records, {"webhook": receiver}, clock)


def raise_alarm(records: Records, reason: str = "low", channels: tuple[str, ...] = ("webhook",)) -> None:
    last = records.last_transitions("skerrow-head").get("battery-low")
    old = "normal" if last is None else last.new
    records.append_transitions(
        [Transition("skerrow-head", "battery-low", NOW_MS, old, "unacknowledged", reason)], channels
    )


def test_each_message_goes_out_once(outbox: Outbox, records: Records, receiver: Receiver) -> None:
    raise_alarm(records, "one")
    raise_alarm(records, "two")
    for _ in range(3):
        outbox.deliver_due(threading.Event())
    assert receiver.got == ["one", "two"]


def test_new_process_sends_nothing_again(outbox: Outbox, records: Records, receiver: Receiver, clock: Clock) -> None:
    raise_alarm(records)
    outbox.deliver_due(threading.Event())
    Outbox(records, {"webhook": receiver}, clock).deliver_due(threading.Event())
    assert receiver.got == ["low"]


def test_failure_is_tried_again_later_and_later(
    outbox: Outbox, records: Records, receiver: Receiver, clock: Clock
) -> None:
    raise_alarm(records)
    receiver.down = True
    for wait_s in (10, 20, 40):
        outbox.deliver_due(threading.Event())
        tried = receiver.tried
        clock.now_ms += wait_s * SECOND_MS - 1
        outbox.deliver_due(threading.Event())
        assert receiver.tried == tried
        clock.now_ms += 1
    receiver.down = False
    outbox.deliver_due(threading.Event())
    assert receiver.got == ["low"]
    assert receiver.tried == 4


def test_waiting_doubles_up_to_an_hour() -> None:
    assert [retry_after_ms(n) // SECOND_MS for n in (1, 2, 3, 9, 10, 10_000)] == [10, 20, 40, 2560, 3600, 3600]
    assert retry_after_ms(10_000) == HOUR_MS


def test_receiver_that_is_down_is_asked_once_a_round_and_holds_up_nobody(
    records: Records, receiver: Receiver, clock: Clock
) -> None:
    other = Receiver()
    for _ in range(5):
        raise_alarm(records, channels=("webhook", "log"))
    receiver.down = True
    Outbox(records, {"webhook": receiver, "log": other}, clock).deliver_due(threading.Event())
    assert (receiver.tried, len(other.got)) == (1, 5)


def test_channel_that_is_no_longer_set_up_keeps_its_message(
    records: Records, clock: Clock, caplog: pytest.LogCaptureFixture
) -> None:
    raise_alarm(records)
    Outbox(records, {}, clock).deliver_due(threading.Event())
    assert "no such channel" in caplog.text
    assert [entry.tries for entry in records.due_notifications(NOW_MS + HOUR_MS)] == [1]


def test_message_is_marked_sent_only_after_the_receiver_has_it(
    outbox: Outbox, records: Records, receiver: Receiver, monkeypatch: pytest.MonkeyPatch
) -> None:
    raise_alarm(records)

    def crash(*_: object) -> None:
        assert receiver.got == ["low"]
        raise KeyboardInterrupt

    monkeypatch.setattr(records, "mark_sent", crash)
    with pytest.raises(KeyboardInterrupt):
        outbox.deliver_due(threading.Event())
    monkeypatch.undo()
    outbox.deliver_due(threading.Event())
    assert receiver.got == ["low", "low"]  # a repeat under the same id, rather than a loss


def test_loop_waits_for_the_store_and_closes_its_channels(
    outbox: Outbox, records: Records, receiver: Receiver, monkeypatch: pytest.MonkeyPatch
) -> None:
    stop, rounds = threading.Event(), []

    def due(now_ms: int) -> list[Notification]:
        rounds.append(now_ms)
        if len(rounds) == 2:
            stop.set()
        raise StoreUnavailable("away")

    monkeypatch.setattr(records, "due_notifications", due)
    outbox.run(stop, interval_s=0.001)
    assert len(rounds) == 2
    assert receiver.closed
