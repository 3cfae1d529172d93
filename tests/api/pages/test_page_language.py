"""The pages in the reader's language, chosen without a script."""

from __future__ import annotations

import html
import re

import pytest

from api.pages import views
from ingest.store.records import Records
from tests.api.conftest import Client
from tests.api.fakes import MemoryReadings, forecast_of, passage, put
from tests.api.pages.test_account_page import words_of
from tests.api.pages.test_pictures import week


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


@pytest.mark.parametrize("path", ["", "/design", "/account", "/handover", "/commissioning"])
def test_whoever_chose_gallons_meets_no_metre_and_no_litre(
    client: Client, readings: MemoryReadings, records: Records, path: str
) -> None:
    week(readings)
    put(records, forecast_of(overflows=passage((0.97,)), reasons=[]))
    said = words_of(client.get(f"/sites/skerrow-head{path}?units=us-gallon").text)
    # The sizes of gutters and of the rain that a standard is made for stay as the standard has them.
    assert re.findall(r"[\d,] (?:L|L/min|L/h|m|mm|cm|m²|°C)(?![\w/²])", said) == []
    metric = words_of(client.get(f"/sites/skerrow-head{path}?units=litre").text)
    assert re.findall(r"\d (?:gal|ft²|°F)", metric) == []


def test_an_unchanged_page_in_another_language_is_another_page(client: Client) -> None:
    english = client.get("/").headers["etag"]
    assert client.get("/", headers={"If-None-Match": english, "Cookie": "lang=es"}).status_code == 200


def test_errors_speak_it_too(client: Client) -> None:
    answer = client.get("/nowhere", headers={"Cookie": "lang=es"})
    assert (answer.status_code, lang(answer.text)) == (404, "es")
    assert "Sitios" in answer.text
    assert "En esta dirección no hay nada." in answer.text
    assert "There is" not in answer.text


@pytest.mark.parametrize(
    ("path", "data", "status", "english", "spanish"),
    [
        ("/nowhere", None, 404, "Nothing here There is nothing", "Aquí no hay nada En esta dirección"),
        ("/sites/skerrow-head/log", None, 405, "open the page itself. Back to the page", "abra la propia página."),
        ("/sites/skerrow-head/log", {}, 422, "Expected: every field filled in.", "Se espera: todos los campos rel"),
        ("/sites/skerrow-head/log", {"what": "x"}, 422, "one of the choices that the page offers", "de las opciones"),
        ("/sites/skerrow-head/log", {"what": "note", "note": "x" * 3_000}, 422, "at most 2,000 cha", "como mucho 2000"),
        ("/sites/skerrow-head/log", {"what": "note", "note": "x", "who": "y" * 99}, 422, "at most 80 ch", "mucho 80"),
        ("/sites/skerrow-head/alarms", {"alarm": "battery-low", "do": "fly"}, 422, "one of the choices", "opciones"),
        ("/sites/skerrow-head/alarms", {"alarm": "battery-low", "do": "shelve", "hours": "x", "why": "y"}, 422,
         "Expected: a number.", "Se espera: un número."),
        ("/sites/skerrow-head/report?month=March", None, 422, "a year and a month, such as", "un año y un mes, como"),
        ("/sites/skerrow-head/log", {"what": "x" * 2_000_000}, 413, "Too large", "Demasiado grande"),
    ],
)  # fmt: skip
def test_a_person_is_told_in_words_and_led_back(
    client: Client, path: str, data: dict[str, str] | None, status: int, english: str, spanish: str
) -> None:
    for language, said in (("en", english), ("es", spanish)):
        cookie = {"Cookie": f"lang={language}"}
        answer = client.get(path, headers=cookie) if data is None else client.post(path, data=data, headers=cookie)
        text = words_of(answer.text)
        assert (answer.status_code, said in text) == (status, True), text[:300]
        assert re.search(r"Input should|Field required|String should|Method Not|pattern|Entity", text) is None
        assert ('href="/sites/skerrow-head">' in answer.text) == path.startswith("/sites/skerrow-head")
        assert ("browser's way back" in html.unescape(answer.text)) == (language == "en" and data is not None)


def test_programs_keep_the_words_of_the_validation(client: Client) -> None:
    answer = client.post("/api/v1/sites/skerrow-head/log", json={"kind": "note", "note": "x" * 3_000})
    assert (answer.status_code, "String should have at most 2000 characters" in answer.text) == (422, True)
    assert client.get("/api/v1/nowhere").json()["title"] == "Not Found"


def test_a_mistake_of_ours_says_what_to_do(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(views, "summarise", None)
    text = html.unescape(client.get("/").text)
    assert "A mistake of ours" in text
    assert "tell whoever looks after this service" in text
    assert "NoneType" not in text


def test_what_is_wrong_this_time_is_said_in_it(client: Client) -> None:
    spanish = {"headers": {"Cookie": "lang=es"}}
    site = client.get("/sites/nowhere", **spanish).text
    assert "Ningún sitio tiene ese id. Hay: skerrow-head, tarn-orchard." in site
    log = client.post("/sites/skerrow-head/log", data={"what": "note"}, **spanish)
    assert (log.status_code, "No se ha aceptado. Se espera: un texto." in log.text) == (422, True)
    program = client.get("/api/v1/sites/nowhere", **spanish).json()
    assert program["detail"] == "No site has this id. There is: skerrow-head, tarn-orchard."


def test_a_form_that_sets_up_says_in_it_what_is_wrong(client: Client) -> None:
    given = {"code": client.app.state.service.access.offer_setup(), "name": "Ada", "password": "short"}
    answer = client.send(
        "POST", "/setup", "http://127.0.0.1", "127.0.0.1", data=given,
        headers={"Host": "127.0.0.1", "Origin": "http://127.0.0.1", "Cookie": "lang=es"},
    )  # fmt: skip
    assert "Se espera: al menos 12 caracteres; valen varias palabras con espacios." in answer.text
