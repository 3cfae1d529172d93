"""Panel, battery and pump through the year."""

from __future__ import annotations

import pytest

from forecast.model.power import power_of
from forecast.sizing.electric import COLD_C, power_check
from forecast.sizing.years import years_of_record
from ingest.site import Site
from tests.forecast.sizing.made import showers, site_of


def test_the_worst_month_is_in_winter_and_loads_are_what_they_are(skerrow_head: Site) -> None:
    found = power_check(skerrow_head, years_of_record(skerrow_head, showers(2)), 0.0)
    assert found is not None
    assert found.worst_month == 12
    assert max(found.months, key=lambda row: row.sun_wh).month in (5, 6, 7)
    power = power_of(skerrow_head, COLD_C)
    # 140 L at 14 L/min are ten minutes of the pump.
    assert found.pump_wh == pytest.approx(power.pump_w / 6, abs=0.1)
    july, december = found.months[6], found.months[11]
    assert december.load_wh == pytest.approx(24 * power.standing_w, abs=0.1)
    assert july.load_wh == pytest.approx(24 * power.standing_w + found.pump_wh, abs=0.2)
    assert found.autonomy_days == pytest.approx(found.usable_wh / july.load_wh, abs=0.01)
    battery = skerrow_head.battery
    assert battery is not None
    assert found.usable_share == pytest.approx(found.usable_wh / (battery.capacity_ah * battery.nominal_v), abs=1e-3)
    assert 0.5 < found.usable_share < 0.95
    # At 57.6° N the sun is down for 17 to 18 hours at midwinter (common almanac knowledge, no source).
    assert 16 <= found.longest_night_h <= 18


def test_a_site_without_a_battery_has_no_power_side() -> None:
    site = site_of()
    assert power_check(site, years_of_record(site, showers(2)), 0.0) is None
