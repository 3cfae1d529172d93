"""What people send from the pages, signed in, without a script."""

from __future__ import annotations

import re

import pytest

from api.access.scope import ScopeName
from ingest.instants import DAY_MS, HOUR_MS
from ingest.store.records import Records, Transition
from tests.api.access.conftest import NAME, PASSWORD, Browser
from tests.api.conftest import Client
from tests.api.fakes import NOW_MS
from tests.api.pages.test_overview_page import text_of

PAGE = "/sites/skerrow-head"
ALARM = "battery-low"


@pytest.fixture
def warden(client: Client) -> Browser:
    """Somebody on duty, signed in."""
    return signed_in(client, "acknowledge")


def signed_in(client: Client, scope: ScopeName) -> Browser:
    client.app.state.service.access.add_person(NAME, PASSWORD, scope)
    browser = Browser(client)
    assert browser.sign_in().status_code == 303
    return browser


@pytest.fixture
def raised(records: Records) -> None:
    raised = Transition("skerrow-head", ALARM, NOW_MS - DAY_MS, "normal", "unacknowledged", "Battery 11.92 V.")
    records.append_transitions([raised], [])


def token(html: str) -> str:
    found = re.search(r'name="form_token" value="([^"]+)"', html)
    assert found is not None
    return found[1]


def test_an_alarm_is_acknowledged_from_the_page(warden: Browser, raised: None, records: Records) -> None:
    html = warden.get(PAGE).text
    assert "I know: acknowledge" in html
    sent = {"form_token": token(html), "alarm": ALARM, "do": "acknowledge"}
    answer = warden.post(f"{PAGE}/alarms", data=sent)
    assert (answer.status_code, answer.headers["location"]) == (303, PAGE)
    last = records.last_transitions("skerrow-head")[ALARM]
    assert (last.new, last.who) == ("acknowledged", NAME)
    text = text_of(warden.get(PAGE).text)
    assert "Acknowledged by warden, Wed 25 Nov, 12:04." in text
    assert "I know: acknowledge" not in text
    again = warden.post(f"{PAGE}/alarms", data=sent)
    assert again.status_code == 409
    assert "Somebody was faster, or it is over by now" in again.text


def test_an_alarm_is_shelved_and_unshelved_with_a_reason(warden: Browser, raised: None, records: Records) -> None:
    sent = {"form_token": token(warden.get(PAGE).text), "alarm": ALARM, "do": "shelve", "why": "new cells", "hours": 12}
    assert warden.post(f"{PAGE}/alarms", data=sent).status_code == 303
    text = text_of(warden.get(PAGE).text)
    assert "Shelved by warden until Thu 26 Nov, 00:04, nobody is told: new cells" in text
    assert "Pump less" not in text
    assert warden.post(f"{PAGE}/alarms", data=sent | {"do": "unshelve"}).status_code == 303
    assert "Shelved by" not in warden.get(PAGE).text


@pytest.mark.parametrize(
    ("changed", "status"),
    [
        ({"form_token": "forged"}, 403),
        ({"alarm": "battery-high"}, 404),
        ({"do": "shelve", "why": " "}, 422),
        ({"do": "explode"}, 422),
        ({"do": "shelve", "why": "x", "hours": 200}, 422),
    ],
)
def test_what_cannot_be_is_refused(
    warden: Browser, raised: None, records: Records, changed: dict[str, object], status: int
) -> None:
    sent = {"form_token": token(warden.get(PAGE).text), "alarm": ALARM, "do": "acknowledge"} | changed
    assert warden.post(f"{PAGE}/alarms", data=sent).status_code == status
    assert records.last_transitions("skerrow-head")[ALARM].new == "unacknowledged"


def test_who_may_only_read_finds_no_forms(client: Client, raised: None) -> None:
    reader = signed_in(client, "read")
    html = reader.get(PAGE).text
    assert "<select" not in html
    assert "acknowledge" not in html
    sent = {"form_token": token(html), "alarm": ALARM, "do": "acknowledge"}
    assert reader.post(f"{PAGE}/alarms", data=sent).status_code == 403


def test_what_was_done_is_written_down_and_read_again(warden: Browser, records: Records) -> None:
    html = warden.get(PAGE).text
    assert "Nobody has written down whether the borehole is open or closed." in text_of(html)
    # Sent as it stands, the form writes nothing down.
    assert '<select name="what" required><option value="">' in html
    sent = {"form_token": token(html), "what": "backup-opened borehole", "note": "tap by the door"}
    assert warden.post(f"{PAGE}/log", data=sent).status_code == 303
    sent |= {"what": "upkeep clean-gutters", "when": "2026-05-01T09:30", "who": "two volunteers"}
    assert warden.post(f"{PAGE}/log", data=sent).status_code == 303
    kept = records.log("skerrow-head", 0, NOW_MS + HOUR_MS)
    assert [(e.kind, e.part, e.who, e.note) for e in kept] == [
        ("upkeep", "clean-gutters", "two volunteers", "tap by the door"),
        ("backup-opened", "borehole", NAME, "tap by the door"),
    ]
    text = text_of(warden.get(PAGE).text)
    assert "The borehole is open since Wed 25 Nov, 12:04, written down by warden." in text
    # 9.30 in London in May is 8.30 UTC; every 180 days.
    assert "clean-gutters: due Wednesday 28 October; last done Friday 1 May by two volunteers." in text
    assert "clean-gutters: upkeep, due since Wednesday 28 October." in text


@pytest.mark.parametrize(
    "changed",
    [
        {"what": ""},
        {"what": "rubbish"},
        {"what": "backup-opened well"},
        {"what": "note"},
        {"when": "soon"},
        {"when": "2031-01-01T00:00"},
    ],
)
def test_an_entry_that_says_nothing_is_refused(warden: Browser, records: Records, changed: dict[str, str]) -> None:
    sent = {"form_token": token(warden.get(PAGE).text), "what": "upkeep clean-gutters"} | changed
    assert warden.post(f"{PAGE}/log", data=sent).status_code == 422
    assert records.log("skerrow-head", 0, NOW_MS * 2) == []


def test_signing_out_from_the_page(warden: Browser) -> None:
    html = warden.get("/").text
    assert warden.post("/logout", data={"form_token": token(html)}).status_code == 303
    assert warden.get("/").status_code == 303
