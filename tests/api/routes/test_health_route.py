from __future__ import annotations

from forecast.result import Input
from ingest.errors import StoreUnavailable
from ingest.store.records import Records
from tests.api.conftest import Client
from tests.api.fakes import NOW_MS, Clock, MemoryReadings, forecast_of, put

READY = "/api/v1/health/ready"


def test_alive_even_without_stores(client: Client, readings: MemoryReadings) -> None:
    readings.failure = StoreUnavailable("gone")
    assert client.get("/api/v1/health/live").json() == {"status": "live"}


def test_ready_and_nothing_wrong_but_the_silent_site(client: Client, heard: MemoryReadings, records: Records) -> None:
    put(records, forecast_of())
    answer = client.get(READY)
    assert answer.status_code == 200
    assert answer.json()["problems"] == ["tarn-orchard: no reading yet.", "tarn-orchard: no forecast yet."]
    assert answer.json()["sites"][0] == {
        "site": "skerrow-head",
        "newest_reading_age_s": 60.0,
        "newest_forecast_age_s": 240.0,
    }


def test_store_out_of_reach_is_not_ready_and_named(client: Client, readings: MemoryReadings) -> None:
    readings.failure = StoreUnavailable("disk at /srv/secret")
    answer = client.get(READY)
    assert (answer.status_code, answer.json()["status"]) == (503, "not ready")
    assert "readings store" in answer.json()["problems"][0]
    assert "/srv/secret" not in answer.text


def test_old_data_is_said_and_still_ready(
    client: Client, heard: MemoryReadings, records: Records, clock: Clock
) -> None:
    put(records, forecast_of(inputs=[Input("level main", "post-1/level", NOW_MS, stale=True)]))
    clock.now_ms += 4 * 3_600_000
    answer = client.get(READY)
    assert answer.status_code == 200
    assert "skerrow-head: the newest reading is 4 hours old." in answer.json()["problems"]
    assert (
        "skerrow-head: the newest forecast, 4 hours old, is stale: it was issued too long ago; "
        "level main is out of date." in answer.json()["problems"]
    )
