"""Open-Meteo's answers: the period that goes before, local times, null members, units.

Facts of the format: https://open-meteo.com/en/docs/ensemble-api, read November 2026.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from forecast.outlook.delivery import Delivery
from forecast.outlook.open_meteo import parse, query
from forecast.outlook.resample import to_outlook
from ingest.errors import OutlookUnavailable
from ingest.instants import HOUR_MS, from_rfc3339
from tests.forecast.outlook.documents import body_of, changed
from tests.spoken import spoken

NOW_MS = from_rfc3339("2026-11-30T00:10:00Z")


def parsed(change: Callable[[Any], object] = lambda _: None) -> Delivery:
    return parse(changed("open_meteo", change), NOW_MS)


def test_an_amount_belongs_to_the_hour_before_its_time() -> None:
    outlook = to_outlook(parsed())
    assert outlook.start_ms == from_rfc3339("2026-11-29T23:00:00Z")
    np.testing.assert_array_equal(outlook.rain_mm[:, 0], [0.0, 0.4, 1.2, 0.0, 0.0, 0.1])
    assert outlook.issued_ms == NOW_MS


def test_null_is_unknown_and_an_empty_member_is_left_out_and_said() -> None:
    delivery = parsed()
    np.testing.assert_array_equal(delivery.rain.values[:, 1], [0.0, 0.0, 2.0, 0.6, np.nan, np.nan])
    assert delivery.rain.values.shape == (6, 2)
    assert spoken(delivery.notes) == ["1 of the weather service's 3 members came empty."]
    assert "2 members" in delivery.source


def test_temperature_holds_at_its_time_and_radiation_for_the_hour_before() -> None:
    outlook = to_outlook(parsed())
    assert outlook.temperature_c is not None
    assert outlook.radiation_w_m2 is not None
    np.testing.assert_allclose(outlook.temperature_c[:, 0], [np.nan, 5.5, 6.0, 5.5, 4.5, 4.0])
    np.testing.assert_allclose(outlook.radiation_w_m2[:, 0], [0, 0, 0, 10, 40, 80])


def test_naive_local_times_are_taken_by_their_offset() -> None:
    def local(document: Any) -> None:
        document["utc_offset_seconds"] = 5 * 3600 + 1800
        document["hourly_units"]["time"] = "iso8601"
        document["hourly"]["time"] = [f"2026-11-30T{5 + hour:02d}:30" for hour in range(6)]

    np.testing.assert_array_equal(parsed(local).rain.end_ms, parsed().rain.end_ms)


def test_three_hourly_steps_are_three_hours_long() -> None:
    def coarse(document: Any) -> None:
        first = document["hourly"]["time"][0]
        document["hourly"]["time"] = [first + 3 * 3600 * step for step in range(6)]

    rain = parsed(coarse).rain
    assert set((rain.end_ms - rain.start_ms).tolist()) == {3 * HOUR_MS}


def test_inches_and_fahrenheit_are_honoured_by_their_label() -> None:
    def imperial(document: Any) -> None:
        for key in document["hourly_units"]:
            if key.startswith("precipitation"):
                document["hourly_units"][key] = "inch"
            if key.startswith("temperature"):
                document["hourly_units"][key] = "°F"
                document["hourly"][key] = [None if v is None else v * 9 / 5 + 32 for v in document["hourly"][key]]

    delivery = parsed(imperial)
    np.testing.assert_allclose(delivery.rain.values, parsed().rain.values * 25.4)
    assert delivery.temperature is not None
    np.testing.assert_allclose(delivery.temperature.values[0], [5.5, 5.0])


def test_members_of_several_models_stand_side_by_side() -> None:
    def two_models(document: Any) -> None:
        hourly, units = document["hourly"], document["hourly_units"]
        for key in [key for key in hourly if key != "time"]:
            hourly[f"{key}_model_b"], units[f"{key}_model_b"] = hourly[key], units[key]
        hourly["precipitation_probability"] = [90.0] * 6
        units["precipitation_probability"] = "%"

    delivery = parsed(two_models)
    assert delivery.rain.values.shape == (6, 4)
    assert delivery.temperature is not None
    assert delivery.temperature.values.shape[1] == 4


def test_a_model_without_members_is_one_course() -> None:
    def alone(document: Any) -> None:
        for key in [key for key in document["hourly"] if "member" in key]:
            del document["hourly"][key]

    assert parsed(alone).rain.values.shape == (6, 1)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda d: d["hourly_units"].update(precipitation="furlong"), "furlong"),
        (lambda d: d["hourly_units"].pop("precipitation"), "unit None"),
        (lambda d: d["hourly_units"].update(time="lunar"), "lunar"),
        (lambda d: d["hourly"]["time"].reverse(), "rising"),
        (lambda d: d["hourly"]["precipitation"].pop(), "does not hold 6 numbers"),
        (lambda d: d["hourly"]["precipitation"].__setitem__(1, -1.0), "less than nothing"),
        (lambda d: d["hourly"]["precipitation"].__setitem__(1, 1e9), "is the unit mm"),
        (lambda d: d["hourly"].update(time=["2026-11-30T00:00"] * 6) or d["hourly_units"].update(time="iso8601")
         or d.update(utc_offset_seconds=None), "no utc_offset_seconds"),
        (lambda d: d["hourly"].clear(), "rising list"),
        (lambda d: [d["hourly"].pop(k) for k in list(d["hourly"]) if k != "time"], "no precipitation"),
        (lambda d: d.pop("hourly"), "hourly"),
    ],
)  # fmt: skip
def test_anything_else_is_refused_and_named(change: Callable[[Any], object], said: str) -> None:
    with pytest.raises(OutlookUnavailable, match=said):
        parsed(change)


def test_the_service_s_own_reason_is_told() -> None:
    with pytest.raises(OutlookUnavailable, match="open-meteo: Latitude must be in range"):
        parse(b'{"error": true, "reason": "Latitude must be in range"}', NOW_MS)
    with pytest.raises(OutlookUnavailable, match="open-meteo"):
        parse(b"<html>", NOW_MS)


def test_the_question_asks_for_utc() -> None:
    path, parameters = query(57.6, -3.9)
    assert path == "/v1/ensemble"
    assert parameters["latitude"] == "57.6000"
    assert (parameters["timeformat"], parameters["timezone"]) == ("unixtime", "GMT")
    assert parse(body_of("open_meteo"), NOW_MS).issued_ms == NOW_MS
