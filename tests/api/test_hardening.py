"""The edges of a request: how large, how often, by what name, from which page."""

from __future__ import annotations

from collections.abc import AsyncIterator

import pytest

from api.access.scope import READ
from api.app import MOST_BODY_BYTES, create_app
from api.settings import Settings
from ingest.instants import SECOND_MS
from ingest.site import Site
from ingest.store.records import Records
from tests.api.conftest import Client
from tests.api.fakes import Clock, MemoryReadings

LOG = "/api/v1/sites/skerrow-head/log"
SITES = "/api/v1/sites"
NOTE = {"kind": "note", "who": "warden", "note": "gutters swept"}


def app_with(settings: Settings, records: Records, clock: Clock, site: Site) -> Client:
    return Client(create_app({site.id: site}, MemoryReadings(), records, clock, settings), None)


def test_a_body_may_be_so_large_and_no_larger(client: Client) -> None:
    for content in (b" " * (MOST_BODY_BYTES + 1), _chunks(2)):
        answer = client.post(LOG, content=content, headers={"Content-Type": "application/json"})
        assert answer.status_code == 413
        assert answer.headers["content-type"] == "application/problem+json"
        assert "content-security-policy" in answer.headers
    assert client.post(LOG, json=NOTE).status_code == 201


async def _chunks(count: int) -> AsyncIterator[bytes]:
    for _ in range(count):
        yield b" " * 60_000


def test_a_stranger_hears_401_before_his_body_is_looked_at(client: Client) -> None:
    answer = Client(client.app, None).post(LOG, content=b" " * (MOST_BODY_BYTES + 1))
    assert answer.status_code == 503  # nobody has set it up


def test_one_caller_may_ask_so_often_and_another_still_may(
    skerrow_head: Site, records: Records, clock: Clock, settings: Settings
) -> None:
    client = app_with(Settings(data=settings.data, rate_per_s=2), records, clock, skerrow_head)
    busy, calm = Client(client.app, READ), Client(client.app, READ)
    assert [busy.get(SITES).status_code for _ in range(21)] == [200] * 20 + [429]
    answer = busy.get(SITES)
    assert (answer.json()["type"], answer.headers["retry-after"]) == ("/problems/too-many-requests", "1")
    assert calm.get(SITES).status_code == 200
    clock.now_ms += SECOND_MS
    assert [busy.get(SITES).status_code for _ in range(3)] == [200, 200, 429]


def test_whoever_tries_tokens_is_held_back_by_his_address(
    skerrow_head: Site, records: Records, clock: Clock, settings: Settings
) -> None:
    client = app_with(Settings(data=settings.data, rate_per_s=1), records, clock, skerrow_head)
    answers = [client.get(SITES, headers={"Authorization": f"Bearer {n}"}).status_code for n in range(11)]
    assert answers == [401] * 10 + [429]


@pytest.mark.parametrize("host", ["", "a b", "evil.example/path", "evil.example@x", "[::1", "x" * 300, "a:123456", "ü"])
def test_a_host_that_is_none_is_refused(client: Client, host: str) -> None:
    answer = client.get(SITES, headers={"Host": host.encode("latin-1")})
    assert (answer.status_code, answer.json()["type"]) == (400, "/problems/wrong-host")


def test_only_the_names_that_are_set_are_answered_to(
    skerrow_head: Site, records: Records, clock: Clock, settings: Settings
) -> None:
    known = Settings(data=settings.data, hosts=("ullage.example",))
    client = Client(create_app({skerrow_head.id: skerrow_head}, MemoryReadings(), records, clock, known))
    assert client.get(SITES, headers={"Host": "Ullage.example:8443"}).status_code == 200
    assert client.get(SITES, headers={"Host": "elsewhere.example"}).status_code == 400


def test_the_demonstration_answers_to_loopback_names_alone(
    skerrow_head: Site, records: Records, clock: Clock, settings: Settings
) -> None:
    client = app_with(Settings(data=settings.data, demo=True), records, clock, skerrow_head)
    local = {"Host": "127.0.0.1:4444"}
    about = client.get("/api/v1/about", headers=local).json()
    assert (about["demonstration"], about["scope"]) == (True, "configure")
    assert client.get(SITES, headers={"Host": "rebound.example"}).status_code == 400
    assert client.post(LOG, json=NOTE, headers=local).status_code == 201
    foreign = client.post(LOG, json=NOTE, headers={**local, "Origin": "http://evil.example"})
    assert (foreign.status_code, foreign.json()["type"]) == (403, "/problems/foreign-origin")


def test_a_proxy_is_believed_only_where_it_is_named(
    skerrow_head: Site, records: Records, clock: Clock, settings: Settings
) -> None:
    claims = {"X-Forwarded-Proto": "https", "X-Forwarded-For": "203.0.113.9", "Origin": "https://ullage.example"}
    given = {"name": "warden", "password": "wrong, and long enough"}
    for proxies, status in (((), 403), (("127.0.0.1/32",), 401), (("10.0.0.0/8",), 403)):
        client = app_with(Settings(data=settings.data, proxies=proxies), records, clock, skerrow_head)
        answer = client.send("POST", "/login", "http://ullage.example", "127.0.0.1", data=given, headers=claims)
        assert answer.status_code == status


def test_no_address_is_built_from_the_host(client: Client) -> None:
    answer = client.get("/sites/skerrow-head/")
    assert answer.status_code == 404


def test_every_answer_is_for_its_reader_alone(client: Client) -> None:
    for path in (SITES, "/", "/api/v1/openapi.json"):
        answer = client.get(path)
        assert answer.headers["cache-control"] == "private, no-cache"
        assert "Authorization" in answer.headers["vary"]
        again = client.get(path, headers={"If-None-Match": answer.headers["etag"]})
        assert (again.status_code, again.content) == (304, b"")
    assert client.get("/api/v1/nothing").headers["cache-control"] == "no-store"
    assert client.post(LOG, json=NOTE).headers["cache-control"] == "no-store"
