from __future__ import annotations

from typing import Any

import httpx
import pytest

from ingest.instants import HOUR_MS, to_rfc3339
from ingest.reading import STUCK, Reading
from tests.api.conftest import Client
from tests.api.fakes import NOW_MS, MemoryReadings

HOUR_START_MS = NOW_MS - NOW_MS % HOUR_MS


@pytest.fixture
def half_hours(readings: MemoryReadings) -> MemoryReadings:
    """Six half hours back from the full hour, the fourth silent, the last one suspect."""
    times = [HOUR_START_MS - n * HOUR_MS // 2 for n in (5, 4, 2, 1)]
    stored = [Reading("skerrow-head", time_ms, "post-1/level", 1.0 + n / 10) for n, time_ms in enumerate(times)]
    readings.write([*stored, Reading("skerrow-head", HOUR_START_MS, "post-1/level", 9.9, STUCK)])
    return readings


def ask(client: Client, **query: Any) -> httpx.Response:
    return client.get("/api/v1/sites/skerrow-head/readings", params={"sensor": "post-1/level", **query})


def test_readings_come_oldest_first_without_the_suspect(client: Client, half_hours: MemoryReadings) -> None:
    answer = ask(client).json()
    assert [reading["value"] for reading in answer["readings"]] == [1.0, 1.1, 1.2, 1.3]
    assert (answer["unit"], answer["end"], answer["next"]) == ("m", "2026-11-25T12:04:00Z", None)
    assert answer["start"] == "2026-11-24T12:04:00Z"


def test_suspect_readings_on_demand_with_their_flags(client: Client, half_hours: MemoryReadings) -> None:
    last = ask(client, suspect="true").json()["readings"][-1]
    assert last == {
        "time": "2026-11-25T12:00:00Z",
        "value": 9.9,
        "flags": ["the same to the last digit for too long"],
    }


def test_pages_follow_each_other_without_loss_or_repeat(client: Client, half_hours: MemoryReadings) -> None:
    first = ask(client, limit=3).json()
    rest = ask(client, limit=3, cursor=first["next"]).json()
    assert [r["value"] for r in first["readings"] + rest["readings"]] == [1.0, 1.1, 1.2, 1.3]
    assert rest["next"] is None


def test_interval_without_readings_is_absent(client: Client, half_hours: MemoryReadings) -> None:
    answer = ask(client, every="30m", fn="max", start=to_rfc3339(HOUR_START_MS - 3 * HOUR_MS)).json()
    assert [i["start"] for i in answer["intervals"]] == [
        "2026-11-25T09:30:00Z",
        "2026-11-25T10:00:00Z",
        "2026-11-25T11:00:00Z",
        "2026-11-25T11:30:00Z",
    ]
    assert (answer["every_s"], answer["fn"]) == (1800.0, "max")


def test_counts_have_no_metres(client: Client, half_hours: MemoryReadings) -> None:
    answer = ask(client, every="1d", fn="count").json()
    assert answer["unit"] == "1"
    assert sum(interval["value"] for interval in answer["intervals"]) == 4


@pytest.mark.parametrize(
    ("query", "where"),
    [
        ({"every": "0h"}, "query.every"),
        ({"every": "1 fortnight"}, "query.every"),
        ({"every": "1s"}, "query.every"),  # 86,400 intervals
        ({"fn": "mean"}, "query.fn"),
        ({"every": "1h", "suspect": "true"}, "query.suspect"),
        ({"start": "2026-11-25T12:00:00"}, "query.start"),  # no offset
        ({"start": "2026-11-26T00:00:00Z"}, "query.start"),  # after the end
        ({"end": "1764072000"}, "query.end"),
        ({"limit": "5.0"}, "query.limit"),
        ({"limit": "1e2"}, "query.limit"),
        ({"limit": "+5"}, "query.limit"),
        ({"limit": "\u0665"}, "query.limit"),  # an Arabic five
        ({"suspect": "yes"}, "query.suspect"),
        ({"cursor": "bm90IGl0"}, "query.cursor"),
        ({"cursor": "\u00e9"}, "query.cursor"),
        ({"every": "1h", "cursor": "YQ"}, "query.cursor"),
    ],
)
def test_what_cannot_be_answered_is_refused_by_name(client: Client, query: dict[str, str], where: str) -> None:
    answer = ask(client, **query)
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["where"] == where


def test_unknown_sensor_lists_the_known(client: Client) -> None:
    answer = ask(client, sensor="post-1/depth")
    assert answer.status_code == 404
    assert "post-1/level" in answer.json()["detail"]


def test_a_cursor_of_another_question_is_refused(client: Client, half_hours: MemoryReadings) -> None:
    cursor = ask(client, limit=3).json()["next"]
    answer = ask(client, sensor="post-1/battery", cursor=cursor)
    assert (answer.status_code, answer.json()["errors"][0]["where"]) == (422, "query.cursor")
