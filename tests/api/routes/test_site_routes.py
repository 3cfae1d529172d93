from __future__ import annotations

import math

import pytest

from api.schemas import Latest
from ingest.instants import HOUR_MS, MINUTE_MS
from ingest.reading import OUT_OF_RANGE, TIME_OF_ARRIVAL, Reading, flag_words
from tests.api.conftest import Client
from tests.api.fakes import NOW_MS, Clock, MemoryReadings

LATEST = "/api/v1/sites/skerrow-head/latest"


def test_sites_are_listed(client: Client) -> None:
    listed = client.get("/api/v1/sites").json()["sites"]
    assert [site["id"] for site in listed] == ["skerrow-head", "tarn-orchard"]
    assert listed[0]["name"] == "Skerrow Head bird observatory"
    assert listed[0]["alarms_active"] == 0


def test_site_is_described_with_its_volumes(client: Client) -> None:
    site = client.get("/api/v1/sites/skerrow-head").json()
    # A cylinder of 1.6 m: π·0.8²·1.80 m³ at the brim, π·0.8²·0.12 m³ below the outlet.
    assert site["tanks"][0]["capacity_l"] == pytest.approx(math.pi * 0.64 * 1800, rel=1e-6)
    assert site["tanks"][0]["dead_l"] == pytest.approx(math.pi * 0.64 * 120, rel=1e-6)
    assert site["backup"] == "borehole"
    assert {"id": "post-1/level", "measures": "tank.main.level", "unit": "m"}.items() <= site["sensors"][0].items()


def test_latest_gives_every_value_its_unit_time_and_age(client: Client, heard: MemoryReadings) -> None:
    latest = client.get(LATEST).json()
    level = latest["values"][0]
    assert latest["now"] == "2026-11-25T12:04:00Z"
    assert level == {
        "sensor": "post-1/level",
        "measures": "tank.main.level",
        "unit": "m",
        "value": 1.06,
        "time": "2026-11-25T12:03:00Z",
        "age_s": 60.0,
        "stale": False,
        "flags": [],
        "disbelieved": None,
    }


def test_usable_water_is_what_stands_above_the_outlet(client: Client, heard: MemoryReadings) -> None:
    tank = client.get(LATEST).json()["tanks"][0]
    assert tank["volume_l"] == pytest.approx(math.pi * 0.64 * 1060, rel=1e-6)
    assert tank["usable_l"] == pytest.approx(math.pi * 0.64 * (1060 - 120), rel=1e-6)
    assert tank["share"] == pytest.approx(1.06 / 1.80)
    assert tank["stale"] is False


def test_missing_is_null_and_never_zero(client: Client) -> None:
    latest = client.get("/api/v1/sites/tarn-orchard/latest").json()
    for value in latest["values"]:
        assert (value["value"], value["time"], value["age_s"], value["stale"]) == (None, None, None, True)
    for tank in latest["tanks"]:
        assert (tank["level_m"], tank["volume_l"], tank["usable_l"], tank["stale"]) == (None, None, None, True)


def test_value_goes_stale_with_time_alone(client: Client, heard: MemoryReadings, clock: Clock) -> None:
    clock.now_ms += 29 * 60_000
    assert client.get(LATEST).json()["tanks"][0]["stale"] is False
    clock.now_ms += 60_001
    assert client.get(LATEST).json()["tanks"][0]["stale"] is True


def test_flags_are_words(client: Client, readings: MemoryReadings) -> None:
    readings.write([Reading("skerrow-head", NOW_MS, "post-1/level", 1.0, TIME_OF_ARRIVAL)])
    assert client.get(LATEST).json()["values"][0]["flags"] == ["dated by its arrival, the device sent no time"]


def test_the_answer_is_what_the_document_promises(client: Client, heard: MemoryReadings) -> None:
    assert Latest.model_validate_json(client.get(LATEST).content, strict=True).site == "skerrow-head"


def test_newer_values_that_are_not_believed_are_told_beside_the_usable_one(
    client: Client, heard: MemoryReadings, clock: Clock
) -> None:
    clock.now_ms = NOW_MS + 2 * HOUR_MS
    heard.write(
        [Reading("skerrow-head", clock.now_ms - n * MINUTE_MS, "post-1/level", 9.9, OUT_OF_RANGE) for n in range(3)]
    )
    level = client.get(LATEST).json()["values"][0]
    assert (level["value"], level["time"], level["stale"]) == (1.06, "2026-11-25T12:03:00Z", True)
    assert level["disbelieved"] == {"time": "2026-11-25T14:04:00Z", "value": 9.9, "why": flag_words(OUT_OF_RANGE)}


def test_the_tag_holds_while_only_the_age_changes(client: Client, heard: MemoryReadings, clock: Clock) -> None:
    tag = client.get(LATEST).headers["etag"]
    clock.now_ms += 1_000
    again = client.get(LATEST, headers={"If-None-Match": tag})
    assert (again.status_code, again.content) == (304, b"")
    heard.write([Reading("skerrow-head", clock.now_ms, "post-1/level", 1.07)])
    assert client.get(LATEST, headers={"If-None-Match": tag}).status_code == 200
    tag = client.get(LATEST).headers["etag"]
    clock.now_ms += 2 * HOUR_MS  # stale now, and the client has to know
    assert client.get(LATEST, headers={"If-None-Match": tag}).status_code == 200
