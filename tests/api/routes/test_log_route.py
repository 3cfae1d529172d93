from __future__ import annotations

from typing import Any

import pytest

from ingest.instants import HOUR_MS, MINUTE_MS, to_rfc3339
from tests.api.conftest import Client
from tests.api.fakes import NOW_MS, Clock

LOG = "/api/v1/sites/skerrow-head/log"
EMPTIED = {"kind": "first-flush-emptied", "part": "bunkhouse", "who": "warden"}


def test_what_was_done_is_kept_and_read_back(client: Client) -> None:
    answer = client.post(LOG, json={**EMPTIED, "note": "half full of leaves"})
    assert answer.status_code == 201
    expected = {**EMPTIED, "note": "half full of leaves", "value": None, "time": "2026-11-25T12:04:00Z"}
    assert answer.json() == expected
    assert client.get(LOG).json()["entries"] == [expected]


def test_sending_twice_over_a_bad_link_keeps_one(client: Client, clock: Clock) -> None:
    entry = {**EMPTIED, "time": "2026-11-25T09:00:00Z"}
    assert client.post(LOG, json=entry).status_code == 201
    clock.now_ms += MINUTE_MS
    assert client.post(LOG, json=entry).status_code == 200
    assert len(client.get(LOG).json()["entries"]) == 1


@pytest.mark.parametrize(
    ("entry", "where"),
    [
        ({**EMPTIED, "part": "porch"}, "body.part"),
        ({**EMPTIED, "who": "war\u0000den"}, "body.who"),
        ({**EMPTIED, "kind": "first-flush"}, "body.kind"),
        ({**EMPTIED, "time": to_rfc3339(NOW_MS + 6 * MINUTE_MS)}, "body.time"),
        ({**EMPTIED, "note": "x" * 2001}, "body.note"),
        ({"kind": "note", "who": "warden"}, "body.note"),
        ({"kind": "backup-opened", "part": "main", "who": "warden"}, "body.part"),
        ({"kind": "tank-filled", "part": "borehole", "who": "warden"}, "body.part"),
        ({"kind": "upkeep", "part": "", "who": "warden"}, "body.part"),
    ],
)
def test_entry_that_would_tell_nothing_is_refused(client: Client, entry: dict[str, Any], where: str) -> None:
    answer = client.post(LOG, json=entry)
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["where"] == where
    assert client.get(LOG).json()["entries"] == []


def test_phone_clock_a_little_ahead_is_no_fault(client: Client) -> None:
    entry = {**EMPTIED, "time": to_rfc3339(NOW_MS + 4 * MINUTE_MS)}
    assert client.post(LOG, json=entry).status_code == 201


@pytest.mark.parametrize("part", ["borehole"])
@pytest.mark.parametrize("kind", ["backup-opened", "backup-closed"])
def test_backup_is_opened_and_closed(client: Client, kind: str, part: str) -> None:
    assert client.post(LOG, json={"kind": kind, "part": part, "who": "warden"}).status_code == 201


def test_upkeep_names_its_task(client: Client) -> None:
    assert client.post(LOG, json={"kind": "upkeep", "part": "clean-gutters", "who": "warden"}).status_code == 201


def test_form_post_from_another_page_is_not_read(client: Client) -> None:
    body = '{"kind": "note", "who": "x", "note": "y"}'
    answer = client.post(LOG, content=body, headers={"Content-Type": "text/plain"})
    assert answer.status_code == 422
    assert client.get(LOG).json()["entries"] == []


@pytest.mark.parametrize("kind", ["tank-filled", "tank-drained"])
def test_water_that_somebody_brought_or_let_out_is_written_down(client: Client, kind: str) -> None:
    assert client.post(LOG, json={"kind": kind, "part": "main", "who": "warden"}).status_code == 201


def test_entries_of_one_instant_are_paged_without_loss_or_repeat(client: Client) -> None:
    for n, minute in enumerate((1, 2, 2, 2, 3)):
        time = to_rfc3339(NOW_MS - HOUR_MS + minute * MINUTE_MS)
        assert client.post(LOG, json={"kind": "note", "note": f"{n}", "time": time}).status_code == 201
    notes, cursor = [], None
    for _ in range(3):
        page = client.get(LOG, params={"limit": 2, **({"cursor": cursor} if cursor else {})}).json()
        notes += [entry["note"] for entry in page["entries"]]
        cursor = page["next"]
    assert (notes, cursor) == (["0", "1", "2", "3", "4"], None)
