"""Daily rain comes near the hourly rain that it was summed from: by roof, and through the whole design check."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from forecast.outlook.record import RainRecord, read_record
from forecast.sizing.check import design_check
from tests.forecast.sizing.made import site_of
from tests.reference.daily_spread import BEFORE, CHOSEN, gaps, mean_gap, places


def test_the_chosen_spell_neither_flatters_nor_punishes_wetting() -> None:
    # Hourly records of the Schwingbach and of New York, summed to local days: see `rain_records`.
    chosen = list(gaps(*CHOSEN))
    assert mean_gap(chosen) < 0.007
    assert max(abs(gap.lost - gap.hourly_lost) for gap in chosen) < 0.035
    assert mean_gap(list(gaps(*BEFORE))) > 10 * mean_gap(chosen)


@pytest.mark.parametrize("begins_h", [CHOSEN[0] - 3, CHOSEN[0] + 3])
def test_three_hours_earlier_or_later_are_farther_off(begins_h: int) -> None:
    assert mean_gap(list(gaps(begins_h, CHOSEN[1]))) > 1.5 * mean_gap(list(gaps(*CHOSEN)))


def test_a_design_on_daily_rain_comes_near_the_one_on_hourly_rain(tmp_path: Path) -> None:
    place = next(place for place in places() if place.name == "Schwingbach")
    roof = {"id": "r", "plan_area_m2": 80, "runoff_coefficient": 0.9, "wetting_loss_mm": 0.4, "tank": "box"}
    site = site_of(
        timezone=place.zone.key, latitude=place.latitude, longitude=place.longitude,
        roof=[roof | {"first_flush": {"volume_l": 40, "drip_l_h": 2.0}}],
    )  # fmt: skip
    file = tmp_path / "rain.csv"
    rows = (f"{place.first + timedelta(days=day)},{depth:.3f}" for day, depth in enumerate(place.daily_mm))
    file.write_text("time,rain_mm\n" + "\n".join(rows) + "\n")
    hourly = RainRecord(place.start_ms, place.hourly_mm, place.name)
    ours, wanted = (design_check(site, record).figures.total for record in (read_record(file, place.zone), hourly))
    assert ours.rain_mm == pytest.approx(wanted.rain_mm, rel=0.005)
    assert ours.captured_l == pytest.approx(wanted.captured_l, rel=0.03)
    assert ours.drawn_l == pytest.approx(wanted.drawn_l, rel=0.03)
    assert ours.wetting_loss_l == pytest.approx(wanted.wetting_loss_l, abs=0.035 * wanted.roof_rain_l)
