"""What another site's page makes a browser send is refused, by Origin and by the form's token."""

from __future__ import annotations

import pytest

from api.access.access import Access
from tests.api.access.conftest import NAME, PASSWORD, Browser
from tests.api.conftest import Client

LOG = "/api/v1/sites/skerrow-head/log"
NOTE = {"kind": "note", "note": "gutters swept"}


@pytest.fixture
def form(browser: Browser, access: Access) -> str:
    """The token of the forms of a browser that is signed in."""
    browser.sign_in()
    caller = access.visitor(browser.cookies["ullage-session"])
    assert caller is not None
    return caller.form


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Origin": "http://localhost"}, 201),
        ({"Origin": "http://LOCALHOST:80"}, 201),
        ({"Origin": "", "Referer": "http://localhost/sites/skerrow-head"}, 201),
        ({"Origin": "http://evil.example"}, 403),
        ({"Origin": "http://localhost.evil.example"}, 403),
        ({"Origin": "http://localhost:8081"}, 403),
        ({"Origin": "null"}, 403),
        ({"Origin": "file://localhost"}, 403),
        ({"Origin": "http://localhost@evil.example"}, 403),
        ({"Origin": "http://["}, 403),
        ({"Origin": "", "Referer": "http://evil.example/?http://localhost/"}, 403),
        ({"Origin": ""}, 403),
    ],
)
def test_an_unsafe_request_comes_from_a_page_of_ours(
    browser: Browser, form: str, headers: dict[str, str], status: int
) -> None:
    answer = browser.post(LOG, json=NOTE, headers={**headers, "X-Form-Token": form})
    assert answer.status_code == status


@pytest.mark.parametrize("token", [None, "", "0" * 64, "é"])
def test_it_carries_the_token_of_this_session(browser: Browser, form: str, token: str | None) -> None:
    headers = {} if token is None else {"X-Form-Token": token.encode("latin-1")}
    answer = browser.post(LOG, json=NOTE, headers=headers)
    assert (answer.status_code, answer.json()["type"]) == (403, "/problems/stale-form")


def test_the_token_of_another_session_will_not_do(client: Client, browser: Browser, form: str) -> None:
    other = Browser(client)
    other.sign_in()
    assert other.post(LOG, json=NOTE, headers={"X-Form-Token": form}).status_code == 403


def test_signing_in_from_another_site_is_refused(browser: Browser) -> None:
    given = {"name": NAME, "password": PASSWORD}
    assert browser.post("/login", data=given, headers={"Origin": "http://evil.example"}).status_code == 403
    assert browser.post("/login", data=given, headers={"Origin": "null"}).status_code == 403


def test_a_token_needs_no_page(client: Client) -> None:
    assert client.post(LOG, json=NOTE, headers={"Origin": "http://elsewhere.example"}).status_code == 201


def test_whoever_holds_a_dead_cookie_can_still_sign_in(browser: Browser) -> None:
    browser.cookies.set("ullage-session", "long gone")
    assert browser.get("/login").status_code == 200
    assert browser.sign_in().status_code == 303
