from __future__ import annotations

import pytest

from api.alarms.types import alarms_of
from ingest.instants import HOUR_MS, to_rfc3339
from ingest.site import Site
from ingest.store.records import Records, Transition
from tests.api.conftest import Client
from tests.api.fakes import NOW_MS

ALARMS = "/api/v1/sites/skerrow-head/alarms"


def test_each_alarm_says_what_it_means_even_when_normal(client: Client, skerrow_head: Site) -> None:
    alarms = client.get(ALARMS).json()["alarms"]
    assert {alarm["alarm"] for alarm in alarms} == {str(alarm) for alarm in alarms_of(skerrow_head)}
    for alarm in alarms:
        assert (alarm["state"], alarm["since"]) == ("normal", None)
        assert alarm["cause"]
        assert alarm["consequence"]
        assert alarm["action"]
        assert alarm["respond_within_h"] > 0


def test_active_alarm_comes_first_with_its_reason(client: Client, records: Records) -> None:
    raised = Transition("skerrow-head", "nothing-heard:post-1", NOW_MS, "normal", "unacknowledged", "Nothing heard.")
    records.append_transitions([raised], [])
    answer = client.get(ALARMS).json()
    first = answer["alarms"][0]
    assert (first["alarm"], first["state"], first["since"]) == (
        "nothing-heard:post-1",
        "unacknowledged",
        "2026-11-25T12:04:00Z",
    )
    assert first["reason"] == "Nothing heard."
    assert client.get("/api/v1/sites").json()["sites"][0]["alarms_active"] == 1


def test_changes_are_paged_newest_first(client: Client, records: Records) -> None:
    for n in range(5):
        old, new = ("normal", "unacknowledged") if n % 2 == 0 else ("unacknowledged", "normal")
        records.append_transitions([Transition("skerrow-head", "battery-low", NOW_MS + n, old, new, str(n))], [])
    first = client.get(f"{ALARMS}/transitions", params={"limit": 3}).json()
    rest = client.get(f"{ALARMS}/transitions", params={"limit": 3, "cursor": first["next"]}).json()
    reasons = [change["reason"] for change in first["transitions"] + rest["transitions"]]
    assert reasons == ["4", "3", "2", "1", "0"]
    assert rest["next"] is None


@pytest.fixture
def raised(records: Records) -> str:
    """The battery is low, and nobody has said that they know."""
    entry = Transition("skerrow-head", "battery-low", NOW_MS - 1, "normal", "unacknowledged", "Battery 11.9 V.")
    records.append_transitions([entry], [])
    return f"{ALARMS}/battery-low/actions"


def test_who_acknowledges_and_why_is_written_down(client: Client, records: Records, raised: str) -> None:
    answer = client.post(raised, json={"kind": "acknowledge", "why": "On my way."})
    assert (answer.status_code, answer.json()["state"], answer.json()["who"]) == (200, "acknowledged", "token test")
    newest = client.get(f"{ALARMS}/transitions").json()["transitions"][0]
    assert (newest["who"], newest["reason"]) == ("token test", "Acknowledged by token test: On my way.")
    again = client.post(raised, json={"kind": "acknowledge"})
    assert (again.status_code, again.json()["type"]) == (409, "/problems/not-active")


def test_an_alarm_is_shelved_until_then_and_taken_down_again(client: Client, raised: str) -> None:
    until = to_rfc3339(NOW_MS + HOUR_MS)
    mute = client.post(raised, json={"kind": "shelve", "until": until, "why": "Cleaning."}).json()["mute"]
    assert (mute["kind"], mute["until"], mute["who"], mute["why"]) == ("shelved", until, "token test", "Cleaning.")
    assert client.post(raised, json={"kind": "unshelve", "why": "Done."}).json()["mute"] is None
    kinds = [action["kind"] for action in client.get(raised).json()["actions"]]
    assert kinds == ["unshelve", "shelve"]


@pytest.mark.parametrize(
    ("sent", "mute"),
    [
        ({"kind": "take-out-of-service", "why": "Removed."}, "out-of-service"),
        ({"kind": "suppress", "months": [11], "why": "Shut in November."}, "by-design"),
    ],
)
def test_an_alarm_is_muted_in_other_ways(client: Client, raised: str, sent: dict[str, object], mute: str) -> None:
    assert client.post(raised, json=sent).json()["mute"]["kind"] == mute


def test_a_note_stays_beside_its_alarm(client: Client, raised: str) -> None:
    note = client.post(raised, json={"kind": "annotate", "why": "New battery ordered."}).json()["note"]
    assert (note["note"], note["who"], note["time"]) == ("New battery ordered.", "token test", to_rfc3339(NOW_MS))


@pytest.mark.parametrize(
    ("sent", "status"),
    [
        ({"kind": "shelve", "until": to_rfc3339(NOW_MS + 8 * 24 * HOUR_MS), "why": "Away."}, 422),
        ({"kind": "shelve", "until": "tomorrow", "why": "Away."}, 422),
        ({"kind": "shelve", "why": "Away."}, 422),
        ({"kind": "unshelve", "why": "It is not."}, 409),
        ({"kind": "annotate", "why": "   "}, 422),
        ({"kind": "suppress", "months": [13], "why": "Never."}, 422),
        ({"kind": "suppress", "months": [1.0], "why": "Whole numbers."}, 422),
        ({"kind": "open-valve", "why": "No."}, 422),
        ({"kind": "acknowledge", "who": "somebody else"}, 422),
    ],
)
def test_what_cannot_be_done_is_refused(client: Client, raised: str, sent: dict[str, object], status: int) -> None:
    answer = client.post(raised, json=sent)
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"


def test_an_unknown_alarm_lists_the_known(client: Client) -> None:
    for answer in (
        client.get(f"{ALARMS}/tank-low:attic/actions"),
        client.post(f"{ALARMS}/tank-low:attic/actions", json={"kind": "acknowledge"}),
    ):
        assert answer.status_code == 404
        assert "tank-low:main" in answer.json()["detail"]


def test_the_installation_has_alarms_of_its_own(client: Client) -> None:
    alarms = client.get("/api/v1/installation/alarms").json()["alarms"]
    assert alarms
    actions = f"/api/v1/installation/alarms/{alarms[0]['alarm']}/actions"
    assert client.post(actions, json={"kind": "annotate", "why": "Looked at."}).json()["note"]["note"] == "Looked at."
