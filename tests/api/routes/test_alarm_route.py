from __future__ import annotations

from api.alarms.types import alarms_of
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
    first = client.get(ALARMS, params={"limit": 3}).json()["transitions"]
    rest = client.get(ALARMS, params={"limit": 3, "before": first[-1]["id"]}).json()["transitions"]
    assert [change["reason"] for change in first + rest] == ["4", "3", "2", "1", "0"]
