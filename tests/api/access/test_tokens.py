"""Tokens: shown once, kept as digests, with a scope, an end, and a way to end them now."""

from __future__ import annotations

import pytest
import sqlalchemy as sa

from api.access.access import Access
from api.access.scope import ACKNOWLEDGE, CONFIGURE, READ, ScopeName
from ingest.instants import DAY_MS
from ingest.store.records import Records
from tests.api.access.conftest import Browser
from tests.api.conftest import Client
from tests.api.fakes import Clock

NOTE = {"kind": "note", "who": "warden", "note": "gutters swept"}
LOG = "/api/v1/sites/skerrow-head/log"


def bearer(token: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {token}"}


def test_a_token_is_shown_once_and_only_its_digest_is_kept(client: Client, records: Records) -> None:
    made = client.post("/api/v1/tokens", json={"name": "prober", "scope": "read", "days": 30}).json()
    assert len(made["token"]) >= 43 + 4
    assert (made["created_by"], made["expires"]) == ("token test", "2026-12-25T12:04:00Z")
    assert "token" not in client.get("/api/v1/tokens").json()["tokens"][-1]
    with records.transaction() as connection:
        kept = connection.execute(sa.text("SELECT * FROM token")).all()
    assert made["token"] not in str(kept)


@pytest.mark.parametrize(
    ("scope", "reads", "writes", "configures"),
    [(READ, 200, 403, 403), (ACKNOWLEDGE, 200, 201, 403), (CONFIGURE, 200, 201, 200)],
)
def test_a_scope_reaches_so_far_and_no_further(
    client: Client, scope: ScopeName, reads: int, writes: int, configures: int
) -> None:
    caller = Client(client.app, scope)
    assert caller.get("/api/v1/sites").status_code == reads
    assert caller.post(LOG, json=NOTE).status_code == writes
    assert caller.get("/api/v1/tokens").status_code == configures
    refused = [a for a in (caller.post(LOG, json=NOTE), caller.get("/api/v1/tokens")) if a.status_code == 403]
    assert all(answer.json()["type"] == "/problems/out-of-scope" for answer in refused)


def test_an_expired_token_is_refused(client: Client, access: Access, clock: Clock) -> None:
    token, _ = access.issue("short", READ, "warden", days=1)
    assert client.get("/api/v1/sites", headers=bearer(token)).status_code == 200
    clock.now_ms += DAY_MS
    answer = client.get("/api/v1/sites", headers=bearer(token))
    assert (answer.status_code, answer.headers["www-authenticate"]) == (401, "Bearer")


def test_a_revoked_token_is_refused_at_once_and_revoked_once(client: Client, access: Access) -> None:
    token, kept = access.issue("lost", READ, "warden")
    assert client.get("/api/v1/sites", headers=bearer(token)).status_code == 200
    assert client.request("DELETE", f"/api/v1/tokens/{kept.id}").status_code == 204
    assert client.get("/api/v1/sites", headers=bearer(token)).status_code == 401
    assert client.request("DELETE", f"/api/v1/tokens/{kept.id}").status_code == 404


def test_a_token_revoked_elsewhere_is_refused_within_a_second(
    client: Client, access: Access, records: Records, clock: Clock
) -> None:
    token, kept = access.issue("lost", READ, "warden")
    assert client.get("/api/v1/sites", headers=bearer(token)).status_code == 200
    with records.transaction() as connection:  # as another process does
        connection.execute(sa.text("UPDATE token SET revoked_ms = 1 WHERE id = :id"), {"id": kept.id})
    clock.now_ms += 1_000
    assert client.get("/api/v1/sites", headers=bearer(token)).status_code == 401


def test_use_is_written_down(client: Client, access: Access, clock: Clock) -> None:
    token, kept = access.issue("prober", READ, "warden")
    assert kept.used_ms is None
    client.get("/api/v1/sites", headers=bearer(token))
    assert access.tokens()[-1].used_ms == clock.now_ms


@pytest.mark.parametrize(
    "header", ["Bearer", "Bearer ", "Bearer wrong", "Basic d2FyZGVuOng=", "bearer\u00a0x", "", "Bearer " + "x" * 5000]
)
def test_what_is_no_token_is_401_and_is_not_echoed(client: Client, header: str) -> None:
    answer = client.get("/api/v1/sites", headers={"Authorization": header.encode("latin-1")})
    assert answer.status_code == 401
    assert answer.json()["title"] == "Not signed in"
    assert "xxxx" not in answer.text


def test_what_a_token_did_is_written_under_its_name(client: Client) -> None:
    answer = client.post(LOG, json={"kind": "note", "note": "gutters swept"})
    assert answer.json()["who"] == "token test"


def test_a_session_is_no_token_and_a_token_no_session(client: Client, browser: Browser, access: Access) -> None:
    token, _ = access.issue("prober", READ, "warden")
    browser.sign_in()
    session = browser.cookies["ullage-session"]
    for _ in range(2):  # the second time it is remembered
        assert browser.get("/api/v1/sites").status_code == 200
        assert client.get("/api/v1/sites", headers=bearer(token)).status_code == 200
        assert client.get("/api/v1/sites", headers=bearer(session)).status_code == 401
        stranger = Client(client.app, None)
        assert stranger.get("/api/v1/sites", headers={"Cookie": f"ullage-session={token}"}).status_code == 401
