"""MET Norway's answers: the period that follows, six hours over one, the last entry without a period.

Facts of the format: https://docs.api.met.no/doc/ForecastJSON, read November 2026.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from forecast.outlook.met_norway import parse, query
from forecast.outlook.resample import to_outlook
from ingest.errors import OutlookUnavailable
from ingest.instants import from_rfc3339
from tests.forecast.outlook.documents import body_of, changed


def test_amounts_follow_their_time_and_hours_win_over_six_of_them() -> None:
    outlook = to_outlook(parse(body_of("met_norway")))
    assert outlook.start_ms == from_rfc3339("2026-11-30T10:00:00Z")
    assert outlook.end_ms == from_rfc3339("2026-12-01T06:00:00Z")
    third = (2.0 - 0.2 - 0.4) / 3
    expected = [0.2, 0.4, 0.0, third, third, third, 0.6, 0.0, *[0.5] * 6, *[0.0] * 6]
    np.testing.assert_allclose(outlook.rain_mm[:, 0], expected, atol=1e-12)
    assert outlook.issued_ms == from_rfc3339("2026-11-30T09:41:12Z")


def test_temperature_is_joined_between_its_instants() -> None:
    outlook = to_outlook(parse(body_of("met_norway")))
    assert outlook.temperature_c is not None
    np.testing.assert_allclose(outlook.temperature_c[:4, 0], [6.2, 6.6, 6.7, 6.5])


def test_a_period_without_an_amount_says_nothing_of_rain() -> None:
    def bare(document: Any) -> None:
        document["properties"]["timeseries"][3]["data"]["next_6_hours"]["details"] = {}

    outlook = to_outlook(parse(changed("met_norway", bare)))
    assert np.isnan(outlook.rain_mm[8:14]).all()


@pytest.mark.parametrize(("label", "factor"), [("mm", 1.0), ("kg/m2", 1.0), ("inch", 25.4)])
def test_the_unit_label_is_honoured(label: str, factor: float) -> None:
    body = changed("met_norway", lambda d: d["properties"]["meta"]["units"].update(precipitation_amount=label))
    np.testing.assert_allclose(parse(body).rain.values, parse(body_of("met_norway")).rain.values * factor)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda d: d["properties"]["meta"]["units"].update(precipitation_amount="kg"), "'kg'"),
        (lambda d: d["properties"]["meta"]["units"].pop("precipitation_amount"), "unit None"),
        (lambda d: d["properties"]["meta"]["units"].update(air_temperature="warm"), "'warm'"),
        (lambda d: d["properties"].update(timeseries=[]), "no amount of rain"),
        (lambda d: d["properties"]["timeseries"][0].update(time="2026-11-30T10:00:00"), "no UTC offset"),
        (lambda d: d["properties"]["meta"].update(updated_at="lately"), "lately"),
        (lambda d: d["properties"].pop("meta"), "meta"),
    ],
)
def test_anything_else_is_refused_and_named(change: Callable[[Any], object], said: str) -> None:
    with pytest.raises(OutlookUnavailable, match=said):
        parse(changed("met_norway", change))


def test_the_question_has_at_most_four_decimals() -> None:
    assert query(57.600049, -3.9)[1] == {"lat": "57.6000", "lon": "-3.9000"}
