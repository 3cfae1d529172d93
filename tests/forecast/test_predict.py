"""The forecast as a whole, from facts by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from forecast.facts import BatteryNow, Facts, LevelNow
from forecast.model.geometry import geometry_of
from forecast.outlook.ensemble import Outlook
from forecast.predict import predict, timeline
from forecast.result import Forecast, decode, encode
from ingest.errors import ForecastUnavailable
from ingest.instants import DAY_MS, HOUR_MS, floor_hour, from_rfc3339
from ingest.site import Backup, Site
from tests.spoken import spoken

NOW_MS = from_rfc3339("2026-11-10T10:25:00Z")
MEMBERS = 60


def facts_of(site: Site, level_m: float, *, age_ms: int = 300_000, sd_l: float = 5.0) -> Facts:
    levels = {
        tank.id: LevelNow(NOW_MS - age_ms, level_m, float(geometry_of(tank).volume_l(level_m)), sd_l)
        for tank in site.tank
    }
    start_ms = floor_hour(NOW_MS - age_ms) - 14 * DAY_MS
    hours = (floor_hour(NOW_MS) - start_ms) // HOUR_MS + 1
    return Facts(
        now_ms=NOW_MS,
        levels=levels,
        rain_start_ms=start_ms,
        rain_mm=np.zeros(hours),
        rain_last_ms=NOW_MS,
        battery=BatteryNow(NOW_MS - 6 * HOUR_MS, 12.7, at_rest=True) if site.battery else None,
    )


def forecast_of(site: Site, facts: Facts, rain_mm_h: float = 0.0) -> Forecast:
    start_ms, hours = timeline(facts)
    outlook = Outlook(np.full((hours, MEMBERS), rain_mm_h), start_ms, "made by hand", distinct=MEMBERS)
    return predict(site, facts, outlook, np.random.default_rng(1))


def test_days_without_rain_are_the_usable_volume_over_the_draw(skerrow_head: Site) -> None:
    # In November only the taps draw: 70 L a day from 0.5 m, which is 764 L above the outlet: 10.9 days.
    forecast = forecast_of(skerrow_head, facts_of(skerrow_head, 0.5))
    tank = geometry_of(skerrow_head.tank[0])
    days = (float(tank.volume_l(0.5)) - tank.dead_l) / 70.0
    assert forecast.runs_out.p50 == pytest.approx(days, rel=0.06)
    assert forecast.runs_out.p05 is not None
    assert forecast.runs_out.p95 is not None
    assert forecast.runs_out.p05 < days < forecast.runs_out.p95
    assert forecast.overflows.within == 0.0
    assert forecast.overflows.p50 is None
    assert forecast.demand_l_day == pytest.approx(70.0)


@pytest.mark.parametrize("changeover", ["by hand", "by itself"])
def test_a_site_from_which_nobody_draws_is_forecast_too(skerrow_head: Site, changeover: str) -> None:
    backup = Backup.model_validate({"id": "borehole", "changeover": changeover})
    undrawn = skerrow_head.model_copy(update={"draw": [], "backup": backup})
    forecast = forecast_of(undrawn, facts_of(undrawn, 0.5))
    assert forecast.runs_out.within == 0.0
    assert forecast.decisions is not None
    assert forecast.decisions.allowance is None


def test_probabilities_by_day_rise_and_agree_with_the_quantiles(skerrow_head: Site) -> None:
    passage = forecast_of(skerrow_head, facts_of(skerrow_head, 0.5)).runs_out
    assert passage.by_day == sorted(passage.by_day)
    assert len(passage.by_day) == 16
    assert passage.p50 is not None
    assert passage.by_day[int(passage.p50) - 1] <= 0.5 <= passage.by_day[int(passage.p50)]


def test_no_median_when_more_than_half_is_censored(skerrow_head: Site) -> None:
    passage = forecast_of(skerrow_head, facts_of(skerrow_head, 0.72)).runs_out
    assert 0.0 < passage.within < 0.5
    assert passage.p05 is not None
    assert passage.p50 is None


def test_steady_rain_fills_the_tank_and_the_litres_are_those_that_do_not_fit(skerrow_head: Site) -> None:
    forecast = forecast_of(skerrow_head, facts_of(skerrow_head, 1.7), rain_mm_h=0.5)
    assert forecast.overflows.p50 is not None
    assert forecast.overflows.p50 < 2.0
    assert forecast.tanks[0].spill_l.p50[0] > 5_000
    assert forecast.tanks[0].volume_l.p50[-1] == pytest.approx(forecast.tanks[0].capacity_l, rel=0.01)


def test_a_tank_at_its_outlet_has_run_out_now(skerrow_head: Site) -> None:
    passage = forecast_of(skerrow_head, facts_of(skerrow_head, 0.10)).runs_out
    assert passage.p50 == 0.0
    assert passage.by_day[0] == 1.0


def trembling(site: Site, above_m: float, rain_mm: float = 0.0) -> Facts:
    """A level so far above the outlet now and a day before, with rain in the hours between."""
    facts = facts_of(site, site.tank[0].outlet_height_m + above_m, sd_l=8.0)
    before = {name: replace(level, time_ms=level.time_ms - DAY_MS) for name, level in facts.levels.items()}
    past_h = (floor_hour(NOW_MS) - facts.rain_start_ms) // HOUR_MS
    rain = facts.rain_mm.copy()
    rain[past_h - 20 : past_h - 10] = rain_mm / 10
    return replace(facts, before=before, rain_mm=rain)


def test_a_tank_that_ran_dry_stays_dry_however_its_level_trembles(skerrow_head: Site) -> None:
    # 4 mm on 2.01 m² are 8 L, one standard deviation: gone in three hours of use, yesterday.
    forecast = forecast_of(skerrow_head, trembling(skerrow_head, 0.004))
    assert forecast.runs_out.p95 == 0.0
    alone = forecast_of(skerrow_head, replace(trembling(skerrow_head, 0.004), before={}))
    assert alone.runs_out.p95 is not None
    assert alone.runs_out.p95 > 0.1


def test_water_that_came_since_or_that_the_level_is_sure_of_is_there(skerrow_head: Site) -> None:
    rained = forecast_of(skerrow_head, trembling(skerrow_head, 0.004, rain_mm=8.0))
    assert rained.runs_out.p95 is not None
    assert rained.runs_out.p95 > 0.1
    # 20 mm are 40 L, five standard deviations: the balance knows of no rain, but the level does.
    sure = forecast_of(skerrow_head, trembling(skerrow_head, 0.020))
    assert sure.runs_out.p05 is not None
    assert sure.runs_out.p05 > 0.1


def test_a_stale_level_starts_the_forecast_earlier_widens_it_and_says_so(skerrow_head: Site) -> None:
    fresh = forecast_of(skerrow_head, facts_of(skerrow_head, 1.0))
    stale = forecast_of(skerrow_head, facts_of(skerrow_head, 1.0, age_ms=3 * DAY_MS))
    assert not fresh.stale
    assert stale.stale
    assert len(stale.tanks[0].volume_l.p50) == len(fresh.tanks[0].volume_l.p50) == 384
    # Three days of taps have already been drawn, and how much is not known.
    assert stale.tanks[0].volume_l.p50[0] == pytest.approx(fresh.tanks[0].volume_l.p50[0] - 3 * 70, abs=25)
    width = [tank.volume_l.p95[0] - tank.volume_l.p05[0] for tank in (stale.tanks[0], fresh.tanks[0])]
    assert width[0] > 2 * width[1]
    assert any("is from Sat 7 Nov, 10:25" in sentence for sentence in spoken(stale.unknown))


def test_without_any_level_there_is_no_forecast(skerrow_head: Site) -> None:
    with pytest.raises(ForecastUnavailable, match="no usable level"):
        forecast_of(skerrow_head, replace(facts_of(skerrow_head, 1.0), levels={}))


def test_one_tank_of_two_without_a_level_may_hold_anything(tarn_orchard: Site) -> None:
    facts = facts_of(tarn_orchard, 0.6)
    known = facts.levels.pop("upper")
    assert known.volume_l > 0
    forecast = forecast_of(tarn_orchard, facts)
    upper = forecast.tanks[0].volume_l
    assert upper.p95[0] - upper.p05[0] > 0.5 * (forecast.tanks[0].capacity_l - forecast.tanks[0].dead_l)
    assert any("tank upper" in sentence for sentence in spoken(forecast.unknown))
    assert [entry.missing for entry in forecast.inputs if spoken([entry.name]) == ["level upper"]] == [True]


def test_a_site_without_battery_has_no_battery_forecast(tarn_orchard: Site) -> None:
    assert forecast_of(tarn_orchard, facts_of(tarn_orchard, 0.6)).battery is None


def test_a_battery_without_sun_reaches_its_cutoff(skerrow_head: Site) -> None:
    assert skerrow_head.battery is not None
    dark = skerrow_head.model_copy(
        update={"battery": skerrow_head.battery.model_copy(update={"panel_w": 0.001, "standing_w": 10.0})}
    )
    battery = forecast_of(dark, facts_of(dark, 1.0)).battery
    assert battery is not None
    # 1200 Wh, some 87 % full at 12.7 V, less about an eighth at cut-off under the pump: near 3.7 days of 10 W.
    assert battery.cutoff.p50 == pytest.approx(3.5, abs=0.6)
    assert battery.soc.p50[-1] == 0.0


def test_unmeasured_rain_is_not_dry(skerrow_head: Site) -> None:
    facts = facts_of(skerrow_head, 1.0, age_ms=2 * DAY_MS)
    unmeasured = replace(facts, rain_mm=np.full_like(facts.rain_mm, np.nan), rain_last_ms=None)
    dry = forecast_of(skerrow_head, facts, rain_mm_h=0.4).tanks[0].volume_l.p50[0]
    wet = forecast_of(skerrow_head, unmeasured, rain_mm_h=0.4).tanks[0].volume_l.p50[0]
    assert wet > dry + 500


def test_the_decisions_agree_with_the_forecast_that_they_come_from(skerrow_head: Site) -> None:
    forecast = forecast_of(skerrow_head, facts_of(skerrow_head, 0.5))
    decisions = forecast.decisions
    assert decisions is not None
    assert decisions.allowance is not None
    assert decisions.changeover is not None
    # 764 L above the outlet, no rain: 55 L a day last fourteen days.
    assert decisions.allowance.allowance_l_day == pytest.approx(764 / 14, rel=0.05)
    assert decisions.changeover.open_by_d is not None
    assert forecast.runs_out.p05 is not None
    assert forecast.runs_out.p25 is not None
    assert forecast.runs_out.p05 <= decisions.changeover.open_by_d <= forecast.runs_out.p25
    assert decisions.free_water.free_l == 0.0


def test_a_stale_level_moves_the_decisions_to_now(skerrow_head: Site) -> None:
    # Without a battery, whose voltage would be a later fact to start from.
    known = replace(facts_of(skerrow_head, 0.5, age_ms=3 * DAY_MS), battery=None)
    stale = forecast_of(skerrow_head, known).decisions
    assert stale is not None
    assert stale.allowance is not None
    # Three days of 70 L are gone, and in the unlucky twentieth of the members 40 % more.
    assert stale.allowance.allowance_l_day == pytest.approx((764 - 1.4 * 210) / 14, rel=0.06)


def test_the_document_survives_its_journey(skerrow_head: Site) -> None:
    forecast = forecast_of(skerrow_head, facts_of(skerrow_head, 1.0), rain_mm_h=0.05)
    assert decode(encode(forecast)) == forecast
    assert b"Infinity" not in encode(forecast)
    assert b"NaN" not in encode(forecast)


def test_each_tank_is_measured_by_what_is_drawn_from_it(tarn_orchard: Site) -> None:
    # In November only the hand basin draws, 25 L a day from the upper tank: what the lower holds is no help.
    facts = facts_of(tarn_orchard, 0.7)
    said = spoken(forecast_of(tarn_orchard, facts).reasons)
    usable_l = 1.2 * 1.0 * (0.7 - 0.08) * 1000
    expected = f"25 L a day wanted from tank upper in the coming week; the {usable_l:.0f} L that its outlet can reach"
    assert [sentence for sentence in said if "wanted" in sentence] == [
        f"{expected} are {usable_l / 25:.0f} days of that without rain."
    ]
