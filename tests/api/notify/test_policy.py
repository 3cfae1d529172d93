"""Who is told, when, and who is not: sites, priorities, quiet hours, floods, escalation, reports."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from api.alarms.types import ALARM_TYPES
from api.notify.policy import MOST, WINDOW_MS, Entry, Told, plan
from ingest.instants import MINUTE_MS, from_rfc3339
from ingest.site import Site
from ingest.store.notifications import Notification
from ingest.store.records import AlarmAction, Records
from tests.api.fakes import NOW_MS, Clock
from tests.api.notify.conftest import ALARM, SITE, Post, people, person, raised, row_about

Posting = Callable[..., Post]
LONDON: dict[str, Any] = {"timezone": "Europe/London"}
NIGHT: dict[str, Any] = {**LONDON, "quiet_hours": ["22:00", "06:30"]}


@pytest.fixture
def posting(records: Records, clock: Clock, sites: dict[str, Site]) -> Posting:
    return lambda *recipients: Post(records, clock, sites, people(*recipients))


def at(post: Post, text: str) -> None:
    post.clock.now_ms = from_rfc3339(text)


def test_who_watches_one_site_hears_of_that_alone(posting: Posting) -> None:
    post = posting(person(sites=["tarn-orchard"]))
    post.raise_alarm()
    post.raise_alarm(site="tarn-orchard")
    post.go()
    assert post.got("warden") == ["Act within 24 hours: Battery is low – Tarn orchard shed"]
    assert post.dropped("warden") == ["another site"]


def test_what_is_less_urgent_than_wanted_is_not_told_nor_its_end(posting: Posting) -> None:
    post = posting(person(minimum_priority="medium"))
    for state in ("unacknowledged", "returned"):
        post.change(state, "empty-predicted:main")
        post.change(state, "tank-low:main")
    post.go()
    post.go()
    assert post.kinds("warden") == ["alarm.raised", "alarm.cleared"]
    assert len(post.got("log")) == 4


def test_at_night_a_message_waits_until_the_morning(posting: Posting) -> None:
    post = posting(person(**NIGHT))
    at(post, "2026-11-25T22:00:00Z")
    post.raise_alarm()
    post.go()
    at(post, "2026-11-26T06:29:59Z")
    post.go()
    assert post.got("warden") == []
    post.go(1)
    assert len(post.got("warden")) == 1


def test_high_priority_wakes_people(posting: Posting, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("api.notify.policy.priority_of", lambda entry: "high")
    post = posting(person(**NIGHT))
    at(post, "2026-11-26T03:00:00Z")
    post.raise_alarm()
    post.go()
    assert len(post.got("warden")) == 1


def test_what_is_over_by_morning_is_not_told_at_all(posting: Posting) -> None:
    post = posting(person(**NIGHT), person("trustee"))
    at(post, "2026-11-26T01:00:00Z")
    post.raise_alarm()
    post.go()
    post.change("returned")
    post.go(3600)
    at(post, "2026-11-26T07:00:00Z")
    for _ in range(3):
        post.go()
    assert post.got("warden") == []
    assert set(post.dropped("warden")) == {
        "over before the quiet hours ended", "this recipient was not told of its beginning"
    }  # fmt: skip
    assert post.kinds("trustee") == ["alarm.raised", "alarm.cleared"]


def test_end_of_what_was_told_before_the_night_waits_too_and_is_told(posting: Posting) -> None:
    post = posting(person(**NIGHT))
    at(post, "2026-11-25T21:00:00Z")
    post.raise_alarm()
    post.go()
    at(post, "2026-11-25T23:00:00Z")
    post.change("returned")
    post.go()
    assert post.kinds("warden") == ["alarm.raised"]
    at(post, "2026-11-26T06:30:00Z")
    post.go()
    assert post.kinds("warden") == ["alarm.raised", "alarm.cleared"]


def test_who_has_not_acknowledged_in_time_is_not_the_last_to_hear(posting: Posting) -> None:
    post = posting(person(escalate_after_min=60.0, escalate_to="trustee"), person("trustee", minimum_priority="high"))
    post.raise_alarm()
    post.go()
    post.go(59 * 60)
    assert post.got("trustee") == []
    post.restart()
    for _ in range(3):
        post.go(60)
        post.restart()
    assert post.got("trustee") == ["Nobody has answered: Battery is low – Skerrow Head bird observatory"]
    post.change("acknowledged", who="Ann")
    post.go(60)
    post.change("normal")
    post.go(60)
    assert post.kinds("trustee") == ["alarm.escalated", "alarm.acknowledged", "alarm.cleared"]
    assert post.receivers["trustee"].got[2].answers == post.receivers["trustee"].got[0].id


@pytest.mark.parametrize("state", ["acknowledged", "returned"])
def test_who_was_answered_needs_no_other(posting: Posting, state: str) -> None:
    post = posting(person(escalate_after_min=60.0, escalate_to="trustee"), person("trustee", minimum_priority="high"))
    post.raise_alarm()
    post.go()
    post.change(state)
    post.go(61 * 60)
    assert post.got("trustee") == []


def test_a_mail_server_that_is_down_keeps_no_alarm_from_the_next(posting: Posting) -> None:
    post = posting(person(escalate_after_min=60.0, escalate_to="trustee"), person("trustee", minimum_priority="high"))
    post.receivers["warden"].down = True
    post.raise_alarm()
    post.go(61 * 60)
    assert post.kinds("trustee") == ["alarm.escalated"]


def test_what_is_shelved_meanwhile_goes_to_nobody_else(posting: Posting) -> None:
    post = posting(person(escalate_after_min=60.0, escalate_to="trustee"), person("trustee", minimum_priority="high"))
    post.raise_alarm()
    post.go()
    until_ms = post.clock.now_ms + 300 * MINUTE_MS
    post.records.append_alarm_action(
        AlarmAction(SITE, ALARM, post.clock.now_ms, "shelve", "Ann", "new panel on its way", until_ms)
    )
    post.go(61 * 60)
    assert post.got("trustee") == []
    assert "acknowledged or over before anybody else was told" in post.dropped("trustee")


def test_a_report_a_day_at_its_hour_and_not_again_after_a_restart(posting: Posting) -> None:
    post = posting(person(digest_hour=7, **LONDON))
    seen = []
    for hour in ("2026-11-25T06:59", "2026-11-25T07:00", "2026-11-25T07:01", "2026-11-25T23:00", "2026-11-26T09:30"):
        at(post, f"{hour}:00Z")
        post.restart()
        post.go()
        seen.append(len(post.got("warden")))
    assert seen == [0, 1, 1, 1, 2]
    assert post.got("warden") == ["report of 2026-11-25", "report of 2026-11-26"]


def test_many_at_once_are_one_message_that_lists_them(posting: Posting) -> None:
    post = posting(person())
    for number in range(12):
        post.raise_alarm(f"nothing-heard:post-{number}")
    post.go()
    (message,) = post.receivers["warden"].got
    assert message.subject == "12 alarm messages at once – Skerrow Head bird observatory"
    titles = [ALARM_TYPES["nothing-heard"].title.format(part=f"post-{number}") for number in range(12)]
    assert all(f"• {title}. " in message.text for title in titles)
    assert len({event["id"] for event in message.event["data"]["events"]}) == 12
    assert len(post.got("log")) == 12


def test_a_bundle_that_failed_is_the_same_bundle_again(posting: Posting) -> None:
    post = posting(person())
    receiver = post.receivers["warden"]
    for number in range(12):
        post.raise_alarm(f"nothing-heard:post-{number}")
    receiver.down = True
    post.go()
    before = [row.bundle for row in post.records.notifications.about(range(20), "warden")]
    post.raise_alarm("battery-low")
    receiver.down = False
    post.restart()
    post.go(10)
    assert before == [before[0]] * 12
    assert before[0] is not None
    assert [len(message.event["data"].get("events", [0])) for message in receiver.got] == [12, 1]


def test_more_than_ten_in_ten_minutes_wait_for_each_other(posting: Posting) -> None:
    post = posting(person())
    for number in range(14):
        post.raise_alarm(f"nothing-heard:post-{number}")
        post.go(20)
    assert len(post.got("warden")) == MOST
    post.go(600 - 14 * 20)
    post.go(20)
    assert post.got("warden")[MOST:] == ["4 alarm messages at once – Skerrow Head bird observatory"]


@settings(max_examples=60)
@given(
    gaps=st.lists(st.integers(0, 4 * MINUTE_MS), min_size=1, max_size=60),
    fails=st.lists(st.booleans(), min_size=60, max_size=60),
)
def test_nobody_ever_gets_more_than_ten_messages_in_ten_minutes(gaps: list[int], fails: list[bool]) -> None:
    """Whatever comes when, and whatever fails: at most ten in any window, and each row exactly once."""
    recipient, now_ms = person(), NOW_MS
    waiting: list[Notification] = []
    sent: list[int] = []
    done: list[int] = []
    tied: dict[int, tuple[int, ...]] = {}
    for number, gap in enumerate([*gaps, *[WINDOW_MS] * 3]):
        now_ms += gap
        if number < len(gaps):
            waiting.append(row_about(raised(id=number + 1, time_ms=now_ms), "warden", id=number + 1))
        due = [row for row in waiting if row.due_ms <= now_ms]
        entries = [Entry(row, Told.YES, shared=False, over=False, open=True) for row in due]
        recent = [time_ms for time_ms in sent if time_ms > now_ms - WINDOW_MS]
        decided = plan(recipient, entries, recent, now_ms)
        until = {row.id: until_ms for row, until_ms in decided.hold}
        waiting = [row._replace(due_ms=until.get(row.id, row.due_ms)) for row in waiting]
        for together in decided.send:
            ids = tuple(row.id for row in together)
            assert tied.setdefault(min(ids), ids) == ids  # what was attempted stays as it was
            waiting = [row._replace(bundle=min(ids)) if row.id in ids else row for row in waiting]
            if number >= len(gaps) or not fails[number]:
                sent.append(now_ms)
                done += ids
        waiting = [row for row in waiting if row.id not in done]
    assert sorted(done) == list(range(1, len(gaps) + 1))
    for time_ms in sent:
        assert sum(time_ms - WINDOW_MS < other <= time_ms for other in sent) <= MOST


def test_what_may_have_arrived_is_sent_as_it_was_whatever_came_after(posting: Posting) -> None:
    """The receiver had it, and the process died before it knew: alone it stays alone, and told."""
    post = posting(person(**NIGHT))
    at(post, "2026-11-25T21:59:00Z")
    post.raise_alarm()
    post.receivers["warden"].down = True
    post.go()
    post.change("returned")
    for number in range(14):
        post.raise_alarm(f"nothing-heard:post-{number}")
    at(post, "2026-11-26T06:30:00Z")
    post.receivers["warden"].down = False
    post.restart()
    post.go()
    post.go()
    first, together, end = post.receivers["warden"].got
    assert first.subject == "Act within 24 hours: Battery is low – Skerrow Head bird observatory"
    assert len(together.event["data"]["events"]) == 14
    assert end.answers == first.id


def test_a_report_of_yesterday_gives_way_to_that_of_today(posting: Posting) -> None:
    post = posting(person(digest_hour=7, **LONDON))
    at(post, "2026-11-25T07:00:00Z")
    post.receivers["warden"].down = True
    post.go()
    at(post, "2026-11-26T07:00:00Z")
    post.receivers["warden"].down = False
    post.go()
    assert post.got("warden") == ["report of 2026-11-26"]
