"""The first start: nothing is open but setup and health, and the code works once."""

from __future__ import annotations

import pytest

from api.access import secret
from api.access.access import Access
from ingest.store.records import Records
from tests.api.access.conftest import NAME, PASSWORD, Browser
from tests.api.conftest import Client


@pytest.fixture
def code(access: Access) -> str:
    offered = access.offer_setup()
    assert offered is not None
    return offered


def given(code: str, /, **changes: str) -> dict[str, str]:
    return {"code": code, "name": NAME, "password": PASSWORD} | changes


def test_before_setup_only_setup_and_health_answer(client: Client, code: str) -> None:
    browser = Browser(client)
    assert browser.get("/api/v1/health/live").status_code == 200
    assert "Setup code" in browser.get("/setup").text
    for path in ("/", "/sites/skerrow-head", "/login"):
        answer = browser.get(path)
        assert (answer.status_code, answer.headers["location"]) == (303, "/setup")
    answer = browser.get("/api/v1/sites")
    assert answer.status_code == 503
    assert "setup code" in answer.json()["detail"]
    assert answer.json()["type"] == "/problems/not-set-up"


def test_the_code_makes_the_first_account_and_signs_it_in(client: Client, code: str) -> None:
    browser = Browser(client)
    answer = browser.post("/setup", data=given(code))
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    assert browser.get("/").status_code == 200
    assert browser.get("/api/v1/about").json()["signed_in_as"] == NAME


def test_the_code_works_once(client: Client, access: Access, code: str) -> None:
    assert Browser(client).post("/setup", data=given(code)).status_code == 303
    again = Browser(client).post("/setup", data=given(code, name="stranger"))
    assert again.status_code == 409
    assert [person.name for person in access.people()] == [NAME]
    assert Browser(client).get("/setup").headers["location"] == "/"


def test_a_restart_replaces_the_code_and_a_set_up_service_has_none(client: Client, access: Access, code: str) -> None:
    newer = access.offer_setup()
    assert newer is not None
    assert Browser(client).post("/setup", data=given(code)).status_code == 403
    typed = newer.upper().replace("-", " ")
    assert Browser(client).post("/setup", data=given(typed)).status_code == 303
    assert access.offer_setup() is None


@pytest.mark.parametrize(
    ("changes", "status", "word"),
    [
        ({"code": "aaaaa-aaaaa-aaaaa-aaaaa-aaaaaa"}, 403, "restart"),
        ({"password": "eleven char"}, 422, "at least 12"),
        ({"password": "x" * 201}, 422, "at most 200"),
        ({"name": " "}, 422, "1 to 80"),
        ({"name": "war\x00den"}, 422, "1 to 80"),
    ],
)
def test_what_will_not_do_is_said_and_the_code_stays_good(
    client: Client, access: Access, code: str, changes: dict[str, str], status: int, word: str
) -> None:
    answer = Browser(client).post("/setup", data=given(code, **changes))
    assert answer.status_code == status
    assert word in answer.text
    assert PASSWORD not in answer.text
    assert access.people() == []
    assert Browser(client).post("/setup", data=given(code)).status_code == 303


def test_setting_up_without_a_browser_gives_a_token(client: Client, code: str) -> None:
    stranger = Client(client.app, scope=None)
    answer = stranger.send(
        "POST",
        "/api/v1/setup",
        "http://localhost",
        "127.0.0.1",
        json=given(code),
        headers={"Origin": "http://localhost"},
    )
    assert answer.status_code == 201
    token = answer.json()["token"]
    assert stranger.get("/api/v1/tokens", headers={"Authorization": f"Bearer {token}"}).status_code == 200


def test_the_code_is_long_and_kept_as_a_digest_only(access: Access, code: str, records: Records) -> None:
    assert len(code.replace("-", "")) == 26
    with records.transaction() as connection:
        kept = connection.exec_driver_sql("SELECT digest FROM setup_code").scalar_one()
    assert kept == secret.code_digest(code)
    assert code.encode() not in kept
