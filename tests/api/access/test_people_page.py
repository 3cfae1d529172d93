"""Who may come in, from the page: people, and tokens for programs."""

from __future__ import annotations

import re

import pytest

from tests.api.access.conftest import NAME, PASSWORD, Browser
from tests.api.conftest import Client

NEW = {"name": "Ada", "password": "two herons by the ford"}


def post(browser: Browser, what: str, **given: object) -> tuple[int, str]:
    """Send a form of the page; the status, and the page that came or that it leads to."""
    found = re.search(r'name="form_token" value="([^"]+)"', browser.get("/people").text)
    assert found is not None
    answer = browser.post(f"/people/{what}", data={**given, "form_token": found[1]})
    if answer.status_code == 303:
        return 303, browser.get(answer.headers["location"]).text
    return answer.status_code, answer.text


def comes_in(client: Client, name: str, password: str) -> bool:
    sent = Browser(client).post("/login", data={"name": name, "password": password})
    return sent.status_code == 303


def test_somebody_is_let_in_given_a_new_password_and_removed(client: Client, browser: Browser) -> None:
    browser.sign_in()
    status, html = post(browser, "add", **NEW, scope="acknowledge")
    assert status == 303
    assert "<b>Ada</b>: look, acknowledge alarms and write down what was done" in html
    assert comes_in(client, "Ada", NEW["password"])
    assert post(browser, "password", name="Ada", password="a gull on the mast head")[0] == 303
    assert not comes_in(client, "Ada", NEW["password"])
    assert comes_in(client, "Ada", "a gull on the mast head")
    assert "Ada" not in post(browser, "remove", name="Ada")[1]
    assert not comes_in(client, "Ada", "a gull on the mast head")


@pytest.mark.parametrize(
    ("what", "given", "status", "said"),
    [
        ("add", {**NEW, "password": "short", "scope": "read"}, 422, "at least 12 characters"),
        ("add", {**NEW, "name": NAME, "scope": "read"}, 409, "Somebody has this name already"),
        ("add", {**NEW, "scope": "everything"}, 422, "not taken"),
        ("password", {"name": "nobody", "password": PASSWORD}, 404, "Nobody has this name."),
        ("remove", {"name": NAME}, 409, "Nobody else may configure this service"),
        ("token", {"name": "pump-log", "scope": "read", "days": "-1"}, 422, "not taken"),
        ("revoke", {"token": 77}, 404, "No token in force has this id."),
    ],
)
def test_what_cannot_be_is_said_and_changes_nothing(
    client: Client, browser: Browser, what: str, given: dict[str, object], status: int, said: str
) -> None:
    browser.sign_in()
    found, html = post(browser, what, **given)
    assert (found, said in html) == (status, True)
    assert [person.name for person in client.app.state.service.access.people()] == [NAME]


def test_a_token_is_shown_once_and_works_until_it_is_revoked(client: Client, browser: Browser) -> None:
    browser.sign_in()
    status, html = post(browser, "token", name="pump-log", scope="read", days="30")
    found = re.search(r"<code>([^<]+)</code>", html)
    assert (status, found is not None) == (200, True)
    assert found is not None
    assert "<script" not in html  # nothing asks for the page anew and takes it away
    again = browser.get("/people").text
    assert found[1] not in again
    assert "made by warden, 25 November 2026; never used; ends 25 December 2026" in re.sub(r"\s+", " ", again)

    def reads() -> int:
        program = Client(client.app, scope=None)
        return program.get("/api/v1/sites", headers={"Authorization": f"Bearer {found[1]}"}).status_code

    assert reads() == 200
    (token,) = [one for one in client.app.state.service.access.tokens() if one.name == "pump-log"]
    assert "pump-log" not in post(browser, "revoke", token=token.id)[1]
    assert reads() == 401


@pytest.mark.parametrize("scope", ["read", "acknowledge"])
def test_who_may_not_configure_is_kept_out_and_finds_no_way_there(client: Client, browser: Browser, scope: str) -> None:
    client.app.state.service.access.add_person("Ada", NEW["password"], scope)
    other = Browser(client)
    other.post("/login", data=NEW)
    assert other.get("/people").status_code == 403
    assert 'href="/people"' not in other.get("/").text
    browser.sign_in()
    assert 'href="/people"' in browser.get("/").text


def test_a_password_does_not_travel_readable(client: Client) -> None:
    client.app.state.service.access.add_person(NAME, PASSWORD, "configure")
    far = Browser(client, base="https://ullage.test", address="192.0.2.9")
    far.sign_in()
    found = re.search(r'name="form_token" value="([^"]+)"', far.get("/people").text)
    assert found is not None
    far.base = "http://ullage.test"
    answer = far.post("/people/add", data={**NEW, "scope": "read", "form_token": found[1]})
    assert answer.status_code in (401, 403)
    assert not comes_in(client, "Ada", NEW["password"])


def test_a_page_that_is_not_ours_changes_nothing(client: Client, browser: Browser) -> None:
    browser.sign_in()
    assert browser.post("/people/add", data={**NEW, "scope": "configure"}).status_code == 403
    assert not comes_in(client, "Ada", NEW["password"])
