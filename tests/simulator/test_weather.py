"""Invented and recorded weather: the same for whoever asks, faithful to its totals, plausible in shape."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.errors import RecordFileError
from ingest.instants import HOUR_MS, MINUTE_MS, from_rfc3339
from ingest.site import Site
from simulator.rain import minutes_of_hours
from simulator.sun import SOLAR_CONSTANT_W_M2, drying_mm, on_panel_w_m2, sun_height
from simulator.weather import HourlyRain, hourly_record, invented_weather, recorded_weather, write_record

JANUARY_MS = from_rfc3339("2024-01-01T00:00:00Z")


def test_a_minute_has_the_same_weather_whichever_span_asks(skerrow_head: Site) -> None:
    start_ms = from_rfc3339("2026-02-27T05:17:00Z")
    whole = invented_weather(skerrow_head, start_ms, 4 * 24 * 60, seed=5)
    later = invented_weather(skerrow_head, start_ms + 2000 * MINUTE_MS, 3000, seed=5)
    part = whole.part(2000, 3000)
    assert later.start_ms == part.start_ms
    for name in ("rain_mm", "air_cel", "sun_w_m2"):
        np.testing.assert_array_equal(getattr(later, name), getattr(part, name))


def test_another_seed_is_another_weather(skerrow_head: Site) -> None:
    one, other = (invented_weather(skerrow_head, JANUARY_MS, 40_000, seed).rain_mm for seed in (1, 2))
    assert not np.array_equal(one, other)


def test_a_broken_minute_is_refused(skerrow_head: Site) -> None:
    with pytest.raises(ValueError, match="expected a full minute"):
        invented_weather(skerrow_head, JANUARY_MS + 1, 10, seed=1)


def test_the_years_bring_what_the_design_promises(skerrow_head: Site) -> None:
    assert skerrow_head.design
    years = 20
    record = hourly_record(skerrow_head, from_rfc3339("2000-01-01T00:00:00Z"), years * 365 * 24, seed=3)
    assert record.rain_mm.sum() / years == pytest.approx(sum(skerrow_head.design.rain_mm), rel=0.08)


def test_invented_rain_has_spells_and_heavy_hours(skerrow_head: Site) -> None:
    """Figures of a temperate coast: common practice, no source."""
    record = hourly_record(skerrow_head, JANUARY_MS, 5 * 365 * 24, seed=3)
    days = record.rain_mm.reshape(-1, 24).sum(axis=1)
    dry = "".join("d" if mm < 1 else "w" for mm in days)
    assert 0.3 < np.mean(days >= 1) < 0.55
    assert 7 < max(len(spell) for spell in dry.split("w")) < 40
    assert 6 < record.rain_mm.max() < 60
    months = days[: 60 * 30].reshape(60, 30).sum(axis=1)
    assert 0.25 < months.std() / months.mean() < 0.7


def test_bursts_are_far_above_the_mean_of_their_hour(skerrow_head: Site) -> None:
    rain = invented_weather(skerrow_head, JANUARY_MS, 365 * 24 * 60, seed=3).rain_mm.reshape(-1, 60)
    heavy = rain[rain.sum(axis=1) > 4]
    assert np.median(heavy.max(axis=1) / heavy.mean(axis=1)) > 3


def test_the_record_is_the_rain_of_the_minutes(skerrow_head: Site) -> None:
    start_ms = from_rfc3339("2024-01-30T07:00:00Z")
    record = hourly_record(skerrow_head, start_ms, 100, seed=9)
    minutes = invented_weather(skerrow_head, start_ms, 6000, seed=9).rain_mm
    np.testing.assert_allclose(record.rain_mm, minutes.reshape(-1, 60).sum(axis=1), atol=0.0051)
    assert record.rain_mm.sum() > 0


@given(
    hours=st.lists(st.one_of(st.just(0.0), st.floats(0.1, 120)), min_size=1, max_size=50), seed=st.integers(0, 2**32)
)
def test_every_hour_keeps_its_total(hours: list[float], seed: int) -> None:
    minutes = minutes_of_hours(np.array(hours), np.random.default_rng(seed))
    assert (minutes >= 0).all()
    np.testing.assert_allclose(minutes.reshape(-1, 60).sum(axis=1), hours, rtol=1e-14)


def test_recorded_weather_keeps_the_record(skerrow_head: Site) -> None:
    rain_mm = np.array([0.0, 3.2, 0.4, 0.0, 11.0, 0.0])
    record = HourlyRain(JANUARY_MS + np.arange(6, dtype=np.int64) * HOUR_MS, rain_mm)
    weather = recorded_weather(skerrow_head, record, JANUARY_MS + HOUR_MS, 5, seed=2)
    np.testing.assert_allclose(weather.rain_mm.reshape(-1, 60).sum(axis=1), rain_mm[1:], rtol=1e-14)


@pytest.mark.parametrize("gap", ["absent", "not a number"])
def test_an_hour_that_the_record_lacks_is_not_a_dry_one(skerrow_head: Site, gap: str) -> None:
    times_ms, rain_mm = JANUARY_MS + np.arange(6, dtype=np.int64) * HOUR_MS, np.ones(6)
    if gap == "absent":
        times_ms, rain_mm = np.delete(times_ms, 3), np.delete(rain_mm, 3)
    else:
        rain_mm[3] = np.nan
    with pytest.raises(RecordFileError, match="lacks 1 of 6 hours, the first at 2024-01-01T03:00:00Z"):
        recorded_weather(skerrow_head, HourlyRain(times_ms, rain_mm), JANUARY_MS, 6, seed=2)


def test_the_record_as_a_file(skerrow_head: Site, tmp_path: Path) -> None:
    record = hourly_record(skerrow_head, JANUARY_MS, 48, seed=4)
    write_record(tmp_path / "rain.csv", record)
    with (tmp_path / "rain.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [from_rfc3339(row["time"]) for row in rows] == record.start_ms.tolist()
    assert rows[0]["time"] == "2024-01-01T00:00:00Z"
    assert [float(row["rain_mm"]) for row in rows] == record.rain_mm.tolist()


def test_the_sun_outside_the_air_agrees_with_a_handbook(skerrow_head: Site) -> None:
    """20° S on 3 September: 32.2 MJ m⁻² d⁻¹. FAO Irrigation and Drainage Paper 56, example 8 (memory).

    The paper's sun varies with its distance, 1.5 % that day, and its constant is 0.4 % higher.
    """
    site = skerrow_head.model_copy(update={"latitude": -20.0, "longitude": 0.0})
    times_ms = from_rfc3339("2023-09-03T00:00:00Z") + np.arange(1440, dtype=np.int64) * MINUTE_MS
    day_mj = (sun_height(site, times_ms) * SOLAR_CONSTANT_W_M2 * 60).sum() / 1e6
    assert day_mj == pytest.approx(32.2, rel=0.03)


def test_no_sun_at_night_and_the_highest_at_noon(skerrow_head: Site) -> None:
    weather = invented_weather(skerrow_head, from_rfc3339("2026-06-21T00:00:00Z"), 1440, seed=1)
    height = sun_height(skerrow_head, weather.times_ms)
    assert weather.sun_w_m2[height == 0].max() < 1e-9
    assert weather.sun_w_m2[: 2 * 60].sum() == 0
    # 57.6° north at midsummer: 90 − 57.6 + 23.45 = 55.85° high; 3.9° west: a quarter of an hour late.
    assert np.degrees(np.arcsin(height.max())) == pytest.approx(55.85, abs=0.1)
    assert height.argmax() == pytest.approx(12 * 60 + 3.9 * 4, abs=2)


def test_seasons_turn_round_below_the_equator(skerrow_head: Site) -> None:
    south = skerrow_head.model_copy(update={"latitude": -33.0})
    july_ms = from_rfc3339("2026-07-01T00:00:00Z")
    january, july = (invented_weather(south, start, 20 * 1440, seed=1) for start in (JANUARY_MS, july_ms))
    assert january.air_cel.mean() > july.air_cel.mean() + 4
    assert january.sun_w_m2.mean() > 1.5 * july.sun_w_m2.mean()
    assert on_panel_w_m2(south, july.times_ms, july.sun_w_m2).mean() > 1.05 * july.sun_w_m2.mean()


def test_a_leaning_panel_gains_in_winter_and_a_wet_roof_dries_in_the_sun(skerrow_head: Site) -> None:
    weather = invented_weather(skerrow_head, JANUARY_MS, 20 * 1440, seed=1)
    assert on_panel_w_m2(skerrow_head, weather.times_ms, weather.sun_w_m2).mean() > 1.5 * weather.sun_w_m2.mean()
    noon, night = drying_mm(np.array([700.0, 0.0]), np.array([18.0, 8.0])) * 60
    assert 0.3 < noon < 0.8
    assert 0 < night < 0.05
