"""The US National Weather Service's answers: ISO 8601 intervals of any length, null, units.

Facts of the format: https://weather-gov.github.io/api/gridpoints, read November 2026.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from forecast.outlook.nws import interval_ms, parse, parse_point, query
from forecast.outlook.resample import to_outlook
from ingest.errors import OutlookUnavailable
from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS, from_rfc3339
from tests.forecast.outlook.documents import body_of, changed

START_MS = from_rfc3339("2026-11-30T09:00:00Z")


def rain(document: Any) -> Any:
    return document["properties"]["quantitativePrecipitation"]


def test_an_amount_is_the_total_of_its_own_interval() -> None:
    """Two equal six-hour totals side by side stay two; weather-gov/api, issue 21."""
    outlook = to_outlook(parse(body_of("nws_grid")))
    assert outlook.start_ms == START_MS
    expected = [*[0.5] * 3, *[1.0] * 12, *[np.nan] * 6, *[0.0] * 30]
    np.testing.assert_allclose(outlook.rain_mm[:, 0], expected)
    assert outlook.issued_ms == from_rfc3339("2026-11-30T08:52:37Z")
    assert outlook.valid_until_ms == START_MS + 2 * DAY_MS + 6 * HOUR_MS


def test_a_temperature_holds_for_all_of_its_merged_interval() -> None:
    outlook = to_outlook(parse(body_of("nws_grid")))
    assert outlook.temperature_c is not None
    np.testing.assert_allclose(outlook.temperature_c[:4, 0], [6.1, 6.1, 4.4, 4.4])


@pytest.mark.parametrize(
    ("uom", "factor"),
    [("wmoUnit:mm", 1.0), ("unit:mm", 1.0), ("wmoUnit:kg_m-2", 1.0), ("wmoUnit:in", 25.4), ("wmoUnit:m", 1000.0)],
)
def test_the_unit_label_is_honoured(uom: str, factor: float) -> None:
    def small(document: Any) -> None:
        rain(document)["uom"] = uom
        for entry in rain(document)["values"]:
            entry["value"] = None if entry["value"] is None else entry["value"] / 100

    expected = parse(body_of("nws_grid")).rain.values / 100 * factor
    np.testing.assert_allclose(parse(changed("nws_grid", small)).rain.values, expected)


@pytest.mark.parametrize(
    ("text", "length_ms"),
    [
        ("2026-11-30T09:00:00+00:00/PT6H", 6 * HOUR_MS),
        ("2026-11-30T09:00:00+00:00/P1DT7H", DAY_MS + 7 * HOUR_MS),
        ("2026-11-30T09:00:00Z/PT30M", 30 * MINUTE_MS),
        ("2026-11-30T10:00:00+01:00/P1W", 7 * DAY_MS),
        ("2026-11-30T09:00:00Z/2026-11-30T15:00:00Z", 6 * HOUR_MS),
    ],
)
def test_intervals_of_any_length(text: str, length_ms: int) -> None:
    assert interval_ms(text) == (START_MS, START_MS + length_ms)


@pytest.mark.parametrize(
    "text",
    [
        "2026-11-30T09:00:00Z", "2026-11-30T09:00:00/PT6H", "2026-11-30T09:00:00Z/P1M", "2026-11-30T09:00:00Z/PT",
        "2026-11-30T09:00:00Z/P", "2026-11-30T09:00:00Z/PT0H", "2026-11-30T09:00:00Z/6H", "/PT6H",
        "2026-11-30T09:00:00Z/2026-11-30T08:00:00Z",
    ],
)  # fmt: skip
def test_no_interval_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"interval|duration|UTC offset|last|not a time"):
        interval_ms(text)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda d: rain(d).update(uom="wmoUnit:percent"), "'percent'"),
        (lambda d: rain(d).pop("uom"), "unit None"),
        (lambda d: rain(d).update(values=[]), "no amount of rain"),
        (lambda d: rain(d)["values"][0].update(value="1.5"), "float"),
        (lambda d: rain(d)["values"][0].update(value=-3.0), "less than nothing"),
        (lambda d: d["properties"].pop("quantitativePrecipitation"), "quantitativePrecipitation"),
        (lambda d: d["properties"].pop("updateTime"), "updateTime"),
    ],
)
def test_anything_else_is_refused_and_named(change: Callable[[Any], object], said: str) -> None:
    with pytest.raises(OutlookUnavailable, match=said):
        parse(changed("nws_grid", change))


def test_only_the_path_of_the_cell_s_link_is_followed() -> None:
    assert parse_point(body_of("nws_point")) == "/gridpoints/SKH/12,34"
    elsewhere = changed("nws_point", lambda d: d["properties"].update(forecastGridData="https://x.invalid/../secret"))
    with pytest.raises(OutlookUnavailable, match="not the address of a grid cell"):
        parse_point(elsewhere)


def test_the_question_has_no_zeros_that_redirect() -> None:
    assert query(57.6, -103.91234) == "/points/57.6,-103.9123"
    assert query(40.0, -4.0) == "/points/40,-4"
