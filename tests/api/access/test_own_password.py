"""A person changes their own password."""

from __future__ import annotations

import re

from tests.api.access.conftest import PASSWORD, Browser
from tests.api.conftest import Client

NEW = "two herons by the ford"


def form_token(browser: Browser) -> str:
    found = re.search(r'name="form_token" value="([^"]+)"', browser.get("/password").text)
    assert found is not None
    return found[1]


def test_a_new_password_takes_the_place_of_the_old_and_ends_other_sessions(client: Client, browser: Browser) -> None:
    other = Browser(client)
    assert other.sign_in().status_code == 303
    browser.sign_in()
    sent = {"old": PASSWORD, "password": NEW, "form_token": form_token(browser)}
    answer = browser.post("/password", data=sent)
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    assert browser.get("/").status_code == 200
    assert other.get("/").headers["location"] == "/login"
    assert Browser(client).sign_in().status_code == 401
    assert Browser(client).sign_in(NEW).status_code == 303


def test_who_does_not_know_the_old_one_changes_nothing(client: Client, browser: Browser) -> None:
    browser.sign_in()
    answer = browser.post("/password", data={"old": "guessed", "password": NEW, "form_token": form_token(browser)})
    assert answer.status_code == 403
    assert "The old password is not right." in answer.text
    assert Browser(client).sign_in().status_code == 303


def test_a_short_one_is_refused(client: Client, browser: Browser) -> None:
    browser.sign_in()
    answer = browser.post("/password", data={"old": PASSWORD, "password": "short", "form_token": form_token(browser)})
    assert answer.status_code == 422
    assert Browser(client).sign_in().status_code == 303


def test_a_page_that_is_not_ours_changes_nothing(browser: Browser) -> None:
    browser.sign_in()
    assert browser.post("/password", data={"old": PASSWORD, "password": NEW}).status_code == 403
