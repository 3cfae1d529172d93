"""The pages in the reader's language, chosen without a script."""

from __future__ import annotations

import re

from tests.api.conftest import Client


def lang(html: str) -> str:
    found = re.search(r'<html lang="(\w+)">', html)
    assert found is not None
    return found[1]


def test_browser_address_and_cookie_choose_the_language(client: Client) -> None:
    assert lang(client.get("/").text) == "en"
    assert lang(client.get("/", headers={"Accept-Language": "es-MX,es;q=0.9"}).text) == "es"
    chosen = client.get("/?lang=es&units=us-gallon")
    assert lang(chosen.text) == "es"
    kept = chosen.headers.get_list("set-cookie")
    assert [cookie.partition(";")[0] for cookie in kept] == ["lang=es", "units=us-gallon"]
    assert all("HttpOnly" in cookie and "SameSite=lax" in cookie for cookie in kept)
    assert lang(client.get("/", headers={"Cookie": "lang=es"}).text) == "es"


def test_what_was_not_chosen_or_is_unknown_is_not_remembered(client: Client) -> None:
    assert "set-cookie" not in client.get("/").headers
    assert "set-cookie" not in client.get("/?lang=tlh&units=firkin").headers


def test_an_unchanged_page_in_another_language_is_another_page(client: Client) -> None:
    english = client.get("/").headers["etag"]
    assert client.get("/", headers={"If-None-Match": english, "Cookie": "lang=es"}).status_code == 200


def test_errors_speak_it_too(client: Client) -> None:
    answer = client.get("/nowhere", headers={"Cookie": "lang=es"})
    assert (answer.status_code, lang(answer.text)) == (404, "es")
    assert "Sitios" in answer.text
