"""The service with its records in PostgreSQL: a first day, and a database that is killed and comes back."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from api.access.access import Access
from ingest.store.records import Records, Transition
from tests.api.access.conftest import NAME, PASSWORD, Browser
from tests.api.conftest import Client
from tests.api.fakes import NOW_MS, MemoryReadings
from tests.conftest import find_free_port
from tests.postgres import Postgres

ALARM = "battery-low"
ACTIONS = f"/api/v1/sites/skerrow-head/alarms/{ALARM}/actions"


@pytest.fixture
def server() -> Iterator[Postgres]:
    """One that may be killed."""
    with Postgres(find_free_port()) as running:
        yield running


@pytest.fixture
def records(server: Postgres) -> Iterator[Records]:
    kept = Records(server.empty())
    yield kept
    kept.close()


def test_what_people_did_outlives_the_database_that_was_killed(
    client: Client, records: Records, server: Postgres, heard: MemoryReadings
) -> None:
    rules: Access = client.app.state.service.access
    browser = Browser(client)
    code = rules.offer_setup()
    assert browser.post("/setup", data={"code": code, "name": NAME, "password": PASSWORD}).status_code == 303
    secret, _ = rules.issue("prober", "acknowledge", NAME, None)
    bearer = {"Authorization": f"Bearer {secret}"}
    raised = Transition("skerrow-head", ALARM, NOW_MS - 60_000, "normal", "unacknowledged", "11.9 V", 1)
    records.append_transitions([raised], ["log"])
    assert client.post(ACTIONS, json={"kind": "acknowledge"}, headers=bearer).status_code == 200

    server.kill()
    for path in ("/api/v1/sites/skerrow-head/alarms", "/sites/skerrow-head"):
        away = client.get(path, headers=bearer)
        assert away.status_code == 503
        assert PASSWORD not in away.text
        assert "postgres secret" not in away.text

    server.start()
    states = {
        row["alarm"]: row["state"]
        for row in client.get("/api/v1/sites/skerrow-head/alarms", headers=bearer).json()["alarms"]
    }
    assert states[ALARM] == "acknowledged"
    assert browser.get("/sites/skerrow-head").status_code == 200
