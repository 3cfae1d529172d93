"""Errors as RFC 9457 problem details: complete, quiet about the inside, and never an echo of the input."""

from __future__ import annotations

import pytest
from fastapi import FastAPI

from api.app import create_app
from api.settings import Settings
from ingest.errors import StoreCorrupt, StoreUnavailable
from ingest.site import Site
from ingest.store.records import Records
from tests.api.conftest import Client
from tests.api.fakes import Clock, MemoryReadings

LOG = "/api/v1/sites/skerrow-head/log"
JSON = {"Content-Type": "application/json"}


class Leaky(MemoryReadings):
    def ping(self) -> None:
        raise RuntimeError("password=hunter2 at /srv/secret")


@pytest.mark.parametrize(
    "body",
    [
        '{"kind": "note", "who": "warden", "note": "x", "time": NaN}',
        '{"kind": "note", "who": "warden", "note": "x", "time": 1e999}',
        '{"kind": "note", "who": "warden", "note": "x", "time": 1764072000}',
        '{"kind": "note", "who": "warden", "note": "x", "time": true}',
        '{"kind": "note", "who": NaN, "note": "x"}',
        '{"kind": "note", "who": "warden", "note": "x", "extra": -Infinity}',
        '{"kind": NaN}',
        "NaN",
        "{",
        "[]",
        '"\\ud800"',
    ],
)
def test_what_is_no_entry_is_422_and_is_not_echoed(client: Client, body: str) -> None:
    answer = client.post(LOG, content=body, headers=JSON)
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"
    problem = answer.json()
    assert problem["status"] == 422
    assert problem["errors"]
    for word in ("NaN", "Infinity", "1764072000", "ud800"):
        assert word not in answer.text


@pytest.mark.parametrize("limit", ["NaN", "1e999", "true", "3.5", "", "0", "-1", "99999999999999999999999"])
def test_what_is_no_number_is_refused_as_a_number(client: Client, limit: str) -> None:
    answer = client.get("/api/v1/sites/skerrow-head/readings", params={"sensor": "post-1/level", "limit": limit})
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["where"] == "query.limit"


def test_all_faults_of_a_request_are_named(client: Client) -> None:
    answer = client.get("/api/v1/sites/skerrow-head/readings", params={"start": "yesterday", "fn": "mode"})
    assert {fault["where"] for fault in answer.json()["errors"]} == {"query.sensor", "query.start", "query.fn"}
    assert "2026-03-01T12:00:00Z" in answer.json()["detail"]


def test_unforeseen_error_tells_nothing_and_keeps_the_security_headers(
    skerrow_head: Site, records: Records, clock: Clock, settings: Settings, caplog: pytest.LogCaptureFixture
) -> None:
    client = Client(create_app({"skerrow-head": skerrow_head}, Leaky(), records, clock, settings))
    for path in ("/api/v1/sites/skerrow-head/latest", "/"):
        answer = client.get(path)
        assert answer.status_code == 500
        assert "hunter2" not in answer.text
        assert "RuntimeError" not in answer.text
        assert "default-src 'none'" in answer.headers["content-security-policy"]
    assert "hunter2" in caplog.text


def test_store_out_of_reach_is_503_with_a_time_to_come_back(client: Client, readings: MemoryReadings) -> None:
    readings.failure = StoreUnavailable("disk at /srv/secret is gone")
    answer = client.get("/api/v1/sites/skerrow-head/latest")
    assert (answer.status_code, answer.headers["retry-after"]) == (503, "10")
    assert "/srv/secret" not in answer.text
    assert client.get("/").status_code == 503
    assert client.get("/").headers["content-type"].startswith("text/html")


def test_damaged_store_is_500_and_says_that_trying_again_will_not_help(
    client: Client, readings: MemoryReadings
) -> None:
    readings.failure = StoreCorrupt("page 7 at /srv/secret")
    answer = client.get("/api/v1/sites/skerrow-head/latest")
    assert answer.status_code == 500
    assert "will not help" in answer.json()["detail"]
    assert "/srv/secret" not in answer.text


def test_unknown_address_site_and_method(client: Client) -> None:
    assert client.get("/api/v1/nothing").json()["title"] == "Not Found"
    assert "tarn-orchard" in client.get("/api/v1/sites/nowhere").json()["detail"]
    for path, allowed in (("/api/v1/sites", "GET"), ("/api/v1/tokens", "GET, POST")):
        answer = client.request("PATCH", path)
        assert (answer.status_code, answer.headers["allow"]) == (405, allowed)
    assert answer.headers["content-type"] == "application/problem+json"


def test_openapi_says_that_errors_are_problem_details(client: Client) -> None:
    schema = client.get("/api/v1/openapi.json").json()
    for path, operations in schema["paths"].items():
        for operation in operations.values():
            for status, response in operation["responses"].items():
                expected = "application/problem+json" if status >= "400" and "health" not in path else None
                if expected:
                    assert list(response["content"]) == [expected], (path, status)
    assert "HTTPValidationError" not in schema["components"]["schemas"]


def test_every_field_of_the_api_is_described(client: Client) -> None:
    schemas = client.get("/api/v1/openapi.json").json()["components"]["schemas"]
    bare = [
        f"{n}.{f}" for n, s in schemas.items() for f, d in s.get("properties", {}).items() if not d.get("description")
    ]
    assert bare == []


def test_nothing_is_loaded_from_elsewhere(client: Client) -> None:
    app: FastAPI = client.app
    assert (app.docs_url, app.redoc_url) == (None, None)
    for path in ("/docs", "/redoc"):
        assert client.get(path).status_code == 404
