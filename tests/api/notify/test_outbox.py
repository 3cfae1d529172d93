"""Each message once: through failures, crashes and restarts."""

from __future__ import annotations

import threading
from typing import Any

import pytest

from api.notify.message import Message
from api.notify.outbox import retry_after_ms
from ingest.errors import StoreUnavailable
from ingest.instants import DAY_MS, HOUR_MS, SECOND_MS
from ingest.site import Site
from ingest.store.records import Records
from tests.api.fakes import Clock
from tests.api.notify.conftest import Post, people, person, program


def test_each_message_goes_out_once(post: Post) -> None:
    post.raise_alarm()
    post.raise_alarm("tank-low:main")
    for _ in range(3):
        post.go()
    assert post.got("warden") == [
        "Act within 24 hours: Battery is low – Skerrow Head bird observatory",
        "Act within 24 hours: Tank main is low – Skerrow Head bird observatory",
    ]


def test_new_process_sends_nothing_again(post: Post) -> None:
    post.raise_alarm()
    post.go()
    post.restart()
    post.go(3600)
    assert len(post.got("warden")) == 1


def test_failure_is_tried_again_later_and_later(post: Post) -> None:
    receiver = post.receivers["warden"]
    post.raise_alarm()
    receiver.down = True
    for wait_s in (10, 20, 40):
        post.go()
        tried = receiver.tried
        post.go(wait_s - 0.001)
        assert receiver.tried == tried
        post.clock.now_ms += 1
    receiver.down = False
    post.go()
    assert len(receiver.got) == 1
    assert receiver.tried == 4


def test_waiting_doubles_up_to_an_hour() -> None:
    assert [retry_after_ms(n) // SECOND_MS for n in (1, 2, 3, 9, 10, 10_000)] == [10, 20, 40, 2560, 3600, 3600]
    assert retry_after_ms(10_000) == HOUR_MS


def test_a_receiver_may_ask_for_a_longer_pause(post: Post, monkeypatch: pytest.MonkeyPatch) -> None:
    from api.notify.channels import DeliveryFailed

    def busy(*_: object) -> None:
        raise DeliveryFailed("busy", retry_after_s=120)

    post.raise_alarm()
    monkeypatch.setattr(post.receivers["warden"], "deliver", busy)
    post.go()
    monkeypatch.undo()
    post.go(119)
    assert post.got("warden") == []
    post.go(1)
    assert len(post.got("warden")) == 1


def test_one_that_is_down_is_asked_once_a_round_and_holds_up_nobody(
    records: Records, clock: Clock, sites: dict[str, Site]
) -> None:
    post = Post(records, clock, sites, people(person(), person("trustee")))
    for alarm in ("battery-low", "tank-low:main", "overflow-now:main"):
        post.raise_alarm(alarm)
    post.receivers["trustee"].down = True
    post.go()
    assert (post.receivers["trustee"].tried, len(post.got("warden")), len(post.got("log"))) == (1, 3, 3)


def test_who_cannot_be_reached_is_asked_after_all_others(
    records: Records, clock: Clock, sites: dict[str, Site], monkeypatch: pytest.MonkeyPatch
) -> None:
    post = Post(records, clock, sites, people(person("aunt"), person("warden")))
    asked: list[str] = []
    for name, receiver in post.receivers.items():
        deliver = receiver.deliver

        def noted(message: Message, now_ms: int, name: str = name, deliver: Any = deliver) -> None:
            asked.append(name)
            deliver(message, now_ms)

        monkeypatch.setattr(receiver, "deliver", noted)
    post.receivers["aunt"].down = True
    post.raise_alarm("battery-low")
    post.go()
    asked.clear()
    post.raise_alarm("tank-low:main")
    post.go(60)
    assert [name for name in asked if name != "log"] == ["warden", "aunt"]


def test_recipient_who_is_no_longer_named_keeps_the_messages(
    records: Records, clock: Clock, sites: dict[str, Site], caplog: pytest.LogCaptureFixture
) -> None:
    Post(records, clock, sites, people(person())).raise_alarm()
    without = Post(records, clock, sites, people())
    without.go()
    assert "no such recipient" in caplog.text
    again = Post(records, clock, sites, people(person()))
    again.go(3600)
    assert len(again.got("warden")) == 1


def test_what_nobody_took_for_a_week_is_given_up(post: Post) -> None:
    post.raise_alarm()
    post.receivers["warden"].down = True
    post.go()
    post.receivers["warden"].down = False
    post.go(7 * DAY_MS / SECOND_MS + 1)
    assert post.got("warden") == []
    assert post.dropped("warden") == ["not delivered within seven days"]


def test_message_is_marked_sent_only_after_the_receiver_has_it(post: Post, monkeypatch: pytest.MonkeyPatch) -> None:
    post.raise_alarm()

    def crash(ids: list[int], now_ms: int) -> None:
        if post.got("warden"):
            raise KeyboardInterrupt

    monkeypatch.setattr(post.records.notifications, "mark_sent", crash)
    with pytest.raises(KeyboardInterrupt):
        post.go()
    monkeypatch.undo()
    post.restart()
    post.go()
    first, second = post.receivers["warden"].got
    assert first == second  # a repeat under the same id, rather than a loss


def test_a_later_word_waits_for_the_beginning_that_is_still_on_its_way(post: Post) -> None:
    post.raise_alarm()
    post.receivers["warden"].down = True
    post.go()
    post.change("returned")
    post.receivers["warden"].down = False
    post.go(5)
    assert post.got("warden") == []
    post.go(5)
    post.go()
    assert post.kinds("warden") == ["alarm.raised", "alarm.cleared"]
    beginning, end = post.receivers["warden"].got
    assert (beginning.answers, end.answers) == ("", beginning.id)


def test_programs_hear_every_change_people_what_concerns_them(
    records: Records, clock: Clock, sites: dict[str, Site]
) -> None:
    post = Post(records, clock, sites, people(person(), program()))
    for state, who in [("unacknowledged", ""), ("returned", ""), ("normal", "Ann")]:
        post.change(state, who=who)
        post.go(60)
    assert post.kinds("pager") == ["alarm.raised", "alarm.cleared", "alarm.closed"]
    assert post.kinds("warden") == ["alarm.raised", "alarm.cleared"]


def test_an_acknowledgement_is_told_where_somebody_else_may_be_on_the_way(
    records: Records, clock: Clock, sites: dict[str, Site]
) -> None:
    alone = Post(records, clock, sites, people(person()))
    alone.raise_alarm()
    alone.go()
    alone.change("acknowledged", who="Ann")
    alone.go(60)
    assert alone.kinds("warden") == ["alarm.raised"]
    together = Post(records, clock, sites, people(person(), person("trustee")))
    together.raise_alarm("tank-low:main")
    together.go(60)
    together.change("acknowledged", "tank-low:main", who="Ann")
    together.go(60)
    assert together.got("trustee")[-1] == "Ann has it in hand: Tank main is low – Skerrow Head bird observatory"


def test_loop_waits_for_the_store(post: Post, monkeypatch: pytest.MonkeyPatch) -> None:
    stop, rounds = threading.Event(), []

    def waiting() -> list[str]:
        rounds.append(1)
        if len(rounds) == 2:
            stop.set()
        raise StoreUnavailable("away")

    monkeypatch.setattr(post.records.notifications, "waiting_channels", waiting)
    post.outbox.run(stop, interval_s=0.001)
    assert len(rounds) == 2
