"""OpenMetrics: read back by the library's own parser; what is not known is absent."""

from __future__ import annotations

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from ingest.reading import Reading
from ingest.store.records import Records, Transition
from ingest.watch import BROKER_SITE, WAITING
from tests.api.conftest import Client
from tests.api.fakes import NOW_MS, MemoryReadings, forecast_of, put

LABELS = ("site", "tank", "sensor", "alarm", "ullage_alarm", "event", "quantile")


def figures(client: Client) -> dict[tuple[str, ...], float]:
    answer = client.get("/metrics")
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith("application/openmetrics-text")
    return {
        (sample.name, *(sample.labels[name] for name in LABELS if name in sample.labels)): sample.value
        for family in text_string_to_metric_families(answer.text)  # type: ignore[no-untyped-call]
        for sample in family.samples
    }


def test_what_is_known_is_told_with_its_unit(client: Client, heard: MemoryReadings, records: Records) -> None:
    put(records, forecast_of())
    heard.write([Reading(BROKER_SITE, NOW_MS, WAITING, 12.0)])
    raised = Transition("skerrow-head", "battery-low", NOW_MS, "normal", "unacknowledged", "11.9 V.")
    records.append_transitions([raised], ["log"])
    found = figures(client)
    assert found["ullage_tank_level_metres", "skerrow-head", "main"] == 1.06
    assert found["ullage_battery_voltage_volts", "skerrow-head", "post-1/battery"] == 12.62
    assert found["ullage_reading_age_seconds", "skerrow-head", "post-1/level"] == 60.0
    assert found["ullage_forecast_age_seconds", "skerrow-head"] == 240.0
    assert found["ullage_alarm", "skerrow-head", "battery-low", "unacknowledged"] == 1.0
    assert found["ullage_alarm", "skerrow-head", "battery-low", "normal"] == 0.0
    assert found["ullage_broker_waiting_messages",] == 12.0
    assert found["ullage_notifications_due",] == 1.0
    assert found["ullage_rejects_last_hour",] == 0.0
    assert found["ullage_forecast_chance", "skerrow-head", "overflows"] == pytest.approx(0.04)


def test_what_is_not_known_is_absent_and_not_zero(client: Client) -> None:
    found = figures(client)
    for name in ("tank_level_metres", "tank_volume_litres", "battery_voltage_volts", "reading_age_seconds",
                 "forecast_age_seconds", "forecast_days", "broker_waiting_messages"):  # fmt: skip
        assert not [key for key in found if key[0] == f"ullage_{name}"], name
    assert found["ullage_reading_stale", "skerrow-head", "post-1/level"] == 1.0
