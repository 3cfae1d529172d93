"""Signing in: the cookie, how long it holds, who is held back, and what a stranger can learn."""

from __future__ import annotations

import pytest

from api.access import password as passwords
from api.access.access import ABSOLUTE_MS, IDLE_MS, Access
from ingest.instants import DAY_MS, SECOND_MS
from tests.api.access.conftest import NAME, PASSWORD, Browser
from tests.api.conftest import Client
from tests.api.fakes import Clock


def test_name_and_password_open_the_page(browser: Browser) -> None:
    assert browser.get("/").headers["location"] == "/login"
    answer = browser.sign_in()
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    cookie = answer.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=lax" in cookie
    assert "Secure" not in cookie
    assert browser.get("/").status_code == 200


def test_over_tls_the_cookie_is_bound_to_host_and_tls(client: Client, browser: Browser) -> None:
    secure = Browser(client, "https://ullage.example", "203.0.113.5")
    cookie = secure.sign_in().headers["set-cookie"]
    assert cookie.startswith("__Host-ullage-session=")
    assert "Secure" in cookie
    assert "Path=/" in cookie
    assert secure.get("/").status_code == 200


def test_the_way_on_leads_nowhere_else(browser: Browser) -> None:
    assert browser.get("/sites/skerrow-head").headers["location"] == "/login?next=/sites/skerrow-head"
    sent = {"name": NAME, "password": PASSWORD}
    for where in ("https://evil.example/", "//evil.example", "/\\evil.example", "javascript:alert(1)", "", "/\t/evil"):
        assert browser.post("/login", data={**sent, "next": where}).headers["location"] == "/"
    good = browser.post("/login", data={**sent, "next": "/sites/tarn-orchard"})
    assert good.headers["location"] == "/sites/tarn-orchard"


def test_names_are_compared_as_people_read_them(browser: Browser) -> None:
    assert browser.post("/login", data={"name": " WARDEN ", "password": PASSWORD}).status_code == 303


def test_a_wrong_password_and_an_unknown_name_are_told_alike(browser: Browser) -> None:
    wrong = browser.sign_in("not the password")
    unknown = browser.post("/login", data={"name": NAME.replace("w", "v"), "password": "not the password"})
    assert (wrong.status_code, unknown.status_code) == (401, 401)
    assert wrong.text == unknown.text.replace("varden", "warden")


def test_an_unknown_name_costs_a_check_too(browser: Browser, monkeypatch: pytest.MonkeyPatch) -> None:
    checked: list[str | None] = []
    real = passwords.fits

    def fits(given: str, kept: str | None) -> bool:
        checked.append(kept)
        return real(given, kept)

    monkeypatch.setattr(passwords, "fits", fits)
    browser.post("/login", data={"name": "nobody", "password": PASSWORD})
    assert checked == [None]


def test_argon2_has_the_parameters_that_were_asked_for() -> None:
    assert passwords.hash_of(PASSWORD).startswith("$argon2id$v=19$m=19456,t=2,p=1$")


def test_a_password_is_the_same_however_its_accents_were_typed() -> None:
    assert passwords.fits("une cle\u0301 sous la pierre", passwords.hash_of("une clé sous la pierre"))


def test_an_idle_session_ends_and_a_used_one_goes_on(browser: Browser, clock: Clock) -> None:
    browser.sign_in()
    for _ in range(3):
        clock.now_ms += IDLE_MS - DAY_MS
        assert browser.get("/").status_code == 200
    clock.now_ms += IDLE_MS
    assert browser.get("/").status_code == 303


def test_even_a_used_session_ends_one_day(browser: Browser, clock: Clock) -> None:
    browser.sign_in()
    end_ms = clock.now_ms + ABSOLUTE_MS
    while clock.now_ms + DAY_MS < end_ms:
        clock.now_ms += DAY_MS
        assert browser.get("/").status_code == 200
    clock.now_ms = end_ms
    assert browser.get("/").status_code == 303


def test_a_new_password_ends_every_session(client: Client, browser: Browser, access: Access) -> None:
    other = Browser(client)
    browser.sign_in()
    other.sign_in()
    access.reset_password(NAME, "another kettle, another wind")
    assert browser.get("/").status_code == 303
    assert other.get("/").status_code == 303
    assert other.sign_in().status_code == 401


def test_somebody_removed_is_out_and_the_last_stays(client: Client, browser: Browser, access: Access) -> None:
    browser.sign_in()
    assert client.request("DELETE", f"/api/v1/people/{NAME}").status_code == 409
    access.add_person("relief warden", PASSWORD, "configure")
    assert client.request("DELETE", f"/api/v1/people/{NAME}").status_code == 204
    assert browser.get("/").status_code == 303


def test_after_five_failures_a_name_waits_longer_and_longer(client: Client, browser: Browser, clock: Clock) -> None:
    for attempt in range(5):
        assert Browser(client, address=f"127.0.0.{attempt + 1}").sign_in("wrong, and wrong again").status_code == 401
    held = Browser(client, address="127.0.0.99").sign_in()
    assert (held.status_code, held.headers["retry-after"]) == (429, "1")
    clock.now_ms += SECOND_MS
    assert Browser(client, address="127.0.0.98").sign_in("wrong again, and again").status_code == 401
    assert Browser(client, address="127.0.0.97").sign_in().headers["retry-after"] == "2"
    clock.now_ms += 2 * SECOND_MS
    assert Browser(client, address="127.0.0.96").sign_in().status_code == 303
    assert Browser(client, address="127.0.0.95").sign_in().status_code == 303


def test_an_address_that_tries_many_names_waits_too(client: Client, browser: Browser) -> None:
    for number in range(5):
        assert browser.post("/login", data={"name": f"name {number}", "password": PASSWORD}).status_code == 401
    assert browser.sign_in().status_code == 429
    assert Browser(client, address="127.0.0.2").sign_in().status_code == 303


@pytest.mark.parametrize(
    ("base", "address", "status"),
    [
        ("http://localhost", "127.0.0.1", 303),
        ("http://[::1]:8080", "::1", 303),
        ("http://ullage.example", "192.0.2.9", 403),
        ("http://ullage.example", "127.0.0.1", 403),  # a proxy beside us makes strangers look local
        ("http://localhost", "192.0.2.9", 403),  # whoever names us localhost from elsewhere
        ("https://ullage.example", "192.0.2.9", 303),
    ],
)
def test_no_password_over_a_network_without_tls(
    client: Client, browser: Browser, base: str, address: str, status: int
) -> None:
    answer = Browser(client, base, address).sign_in()
    assert answer.status_code == status
    assert status == 303 or "not encrypted" in answer.text


def test_signing_out_takes_a_form_of_this_session(client: Client, browser: Browser, access: Access) -> None:
    browser.sign_in()
    stale = browser.post("/logout", data={"form_token": "0" * 64})
    assert stale.status_code == 403
    assert browser.get("/").status_code == 200
    caller = access.visitor(browser.cookies["ullage-session"])
    assert caller is not None
    assert browser.post("/logout", data={"form_token": caller.form}).headers["location"] == "/login"
    assert browser.get("/").status_code == 303
