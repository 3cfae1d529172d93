from __future__ import annotations

from forecast.result import Input
from ingest.store.records import Records
from tests.api.conftest import Client
from tests.api.fakes import NOW_MS, Clock, forecast_of, put

FORECAST = "/api/v1/sites/skerrow-head/forecast"


def test_no_forecast_is_404_and_says_what_to_look_at(client: Client) -> None:
    answer = client.get(FORECAST)
    assert (answer.status_code, answer.json()["type"]) == (404, "/problems/no-forecast")
    assert "worker" in answer.json()["detail"]


def test_fresh_forecast_with_its_times(client: Client, records: Records) -> None:
    put(records, forecast_of())
    answer = client.get(FORECAST).json()
    assert (answer["issued"], answer["start"]) == ("2026-11-25T12:00:00Z", "2026-11-25T12:00:00Z")
    assert (answer["stale"], answer["stale_because"]) == (False, [])
    assert len(answer["tanks"][0]["level_m"]["p50"]) == 384
    assert answer["inputs"][0] == {
        "name": "level main",
        "source": "post-1/level",
        "time": "2026-11-25T11:59:00Z",
        "age_s": 60.0,
        "stale": False,
        "missing": False,
    }
    assert "issued_ms" not in answer
    assert "time_ms" not in str(answer)


def test_forecast_from_stale_inputs_is_stale(client: Client, records: Records) -> None:
    put(records, forecast_of(inputs=[Input("level main", "post-1/level", NOW_MS - 10**8, stale=True)]))
    answer = client.get(FORECAST).json()
    assert answer["stale"] is True
    assert answer["stale_because"] == ["level main is out of date"]


def test_forecast_goes_stale_with_time_alone(client: Client, records: Records, clock: Clock) -> None:
    put(records, forecast_of(issued_ms=NOW_MS))
    clock.now_ms = NOW_MS + 10_800_001
    assert client.get(FORECAST).json()["stale_because"] == ["it was issued too long ago"]


def test_document_of_another_version_is_no_forecast(client: Client, records: Records) -> None:
    records.put_forecast("skerrow-head", NOW_MS, b'{"shape": "of tomorrow"}')
    assert client.get(FORECAST).status_code == 404
    assert client.get("/").status_code == 200
