"""What is said: each absurd size and each unsafe promise, and nothing of the kind where all is well."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from api.languages.language import language
from api.speech import Speaker
from forecast.outlook.record import RainRecord
from forecast.sizing.check import design_check
from forecast.sizing.finding import KINDS
from forecast.sizing.result import DesignCheck
from ingest.errors import SettingsError
from ingest.instants import HOUR_MS
from ingest.site import Site
from ingest.sitefile import load_site
from tests.forecast.sizing.made import showers, site_of
from tests.project.test_docs import ROOT


def said(check: DesignCheck, site: Site, kind: str = "warning") -> list[str]:
    speaker = Speaker(site.zone)
    return [speaker.say(one.says) for one in check.findings if one.kind == kind]


def warnings_of(**changes: Any) -> list[str]:
    site = site_of(**changes)
    return said(design_check(site, showers(2)), site)


def test_a_sound_design_is_warned_of_its_overflow_alone() -> None:
    (warning,) = warnings_of()
    assert "has no route in the site file" in warning
    route = {"id": "box", "shape": "rectangular", "length_m": 1.0, "width_m": 1.0, "outlet_height_m": 0.0,
             "overflow_height_m": 2.0, "overflow_route": "to the pond"}  # fmt: skip
    assert warnings_of(tank=[route]) == []


ROOF = {"id": "roof", "plan_area_m2": 50.0, "runoff_coefficient": 0.8, "wetting_loss_mm": 0.0, "tank": "box"}
TANK = {"id": "box", "shape": "rectangular", "length_m": 1.0, "width_m": 1.0, "outlet_height_m": 0.0,
        "overflow_height_m": 2.0, "overflow_route": "to the pond"}  # fmt: skip
TAP = {"id": "tap", "tank": "box", "feed": "gravity", "litres_per_day": 60.0}
PIPE = {"outlet_above_floor_m": -1.0, "pipe_length_m": 20.0, "pipe_diameter_mm": 20.0, "flow_l_min": 10.0}
BATTERY = {"chemistry": "agm", "nominal_v": 12, "capacity_ah": 100, "low_v": 12.0, "cutoff_v": 11.6, "panel_w": 100}
PUMP = {"power_w": 90, "flow_l_min": 14}


@pytest.mark.parametrize(
    ("changes", "warning"),
    [
        ({"draw": [TAP | {"litres_per_day": 90.0}]}, "The promise is not held: enough is to be there on 95 %"),
        ({"draw": [TAP | {"litres_per_day": 90.0}]}, "There is no backup, and"),
        ({"draw": [TAP | {"litres_per_day": 70.0}]}, " L of tank between outlet and brim it would be held."),
        ({"draw": [TAP | {"litres_per_day": 90.0}]}, " L a day of use in the mean, and this tank, it would be held."),
        ({"draw": [TAP | {"litres_per_day": 300.0}]}, "No tank that was looked at would hold it, up to"),
        ({"draw": [TAP | {"litres_per_day": 300.0}]}, "More is wanted in a year than reaches the tanks"),
        ({"draw": [TAP | {"litres_per_day": 300.0}]}, "on more than seven days of the year, in a row or not, in 2 of"),
        ({"draw": [TAP | {"litres_per_day": 10.0}]}, "The tank holds 55 % of a year's use"),
        ({"tank": [TANK | {"overflow_height_m": 0.05}]}, "The tank holds less than a day's use"),
        ({"tank": [TANK | {"overflow_height_m": 0.03}]}, "Area times rain promises"),
        ({"tank": [TANK | {"outlet_height_m": 1.0}]}, "lie below the outlet and can never be drawn: 50 % of it"),
        ({"tank": [TANK | {"overflow_capacity_l_min": 5.0}]}, "Overflow pipe of box carries 5 L/min, less than the"),
        ({"roof": [ROOF | {"runoff_coefficient": 0.98}]}, "a runoff coefficient of 0.98 is that of a new roof"),
        ({"roof": [ROOF | {"gutter_capacity_l_min": 40.0}]}, "carries 40 L/min; a design rain of 75 mm an hour needs"),
        ({"roof": [ROOF | {"gutter_capacity_l_min": 40.0}]}, "A level half-round gutter of 125 mm or more carries it"),
        (
            {"roof": [ROOF | {"plan_area_m2": 900.0, "gutter_capacity_l_min": 40.0}]},
            "No level half-round gutter of 250 mm or less",
        ),
        ({"roof": [ROOF | {"first_flush": {"volume_l": 300.0, "drip_l_h": 9.0}}]}, "is larger than most rains"),
        ({"roof": [ROOF | {"first_flush": {"volume_l": 5.0, "drip_l_h": 1.0}}]}, "less than the 0.41 mm"),
        ({"roof": [ROOF | {"first_flush": {"volume_l": 50.0, "drip_l_h": 0.1}}]}, "takes 500 hours to drip empty"),
        ({"draw": [TAP | {"drinking": True}]}, "tap is for drinking and no treatment is described"),
        ({"draw": [TAP | {"line": PIPE | {"outlet_above_floor_m": 1.9}}]}, "tap never gives 10 L/min"),
        ({"draw": [TAP | {"line": PIPE | {"outlet_above_floor_m": 0.0}}]}, "tap gives 10 L/min only while the water"),
        ({"draw": [TAP | {"line": PIPE | {"pipe_diameter_mm": 8.0}}]}, "water at 3.32 m/s in its pipe"),
        ({"battery": BATTERY | {"capacity_ah": 1}}, "The battery does not last a night"),
        ({"battery": BATTERY | {"capacity_ah": 10, "standing_w": 2.0}}, "three to five are usual"),
        ({"battery": BATTERY | {"panel_w": 5}}, "the panel brings less than the load takes"),
        ({"battery": BATTERY | {"panel_w": 1}}, "stands at its cut-off on"),
        (
            {"pump": PUMP | {"curve_flow_l_min": [0, 10], "curve_head_m": [10, 2]},
             "draw": [TAP | {"feed": "pumped", "line": PIPE | {"outlet_above_floor_m": 5.0}}]},
            "the balance takes 14 L/min of the pump, pump and pipe give 5.9 L/min",
        ),
        (
            {"pump": {"power_w": 5, "flow_l_min": 6, "curve_flow_l_min": [0, 10], "curve_head_m": [10, 2]},
             "draw": [TAP | {"feed": "pumped", "line": PIPE | {"outlet_above_floor_m": 5.0}}]},
            "more than small pumps can",
        ),
    ],
)  # fmt: skip
def test_each_unsafe_promise_and_absurd_size_is_told(changes: dict[str, Any], warning: str) -> None:
    found = warnings_of(**changes)
    assert any(warning in line for line in found), found


def test_the_hand_calculation_of_a_large_roof_and_a_small_tank_is_told_to_spill() -> None:
    # Common practice, no source: 63 m² at 380 mm a month is quoted as 24,000 L a month.
    site = load_site(ROOT / "deploy" / "designs" / "skerrow-fell.toml")
    check = design_check(site, None)
    assert round(63 * 380, -3) == 24_000
    assert check.figures.usable_l == pytest.approx(450, abs=2)
    (told,) = [line for line in said(check, site) if line.startswith("Area times rain promises")]
    assert "23,940 L a month. That is no yield: 3," in told
    assert check.figures.total.spilled_l > 0.75 * check.figures.total.captured_l
    assert "run over, 8" in told


@pytest.mark.parametrize("name", ["skerrow_head", "tarn_orchard"])
def test_the_examples_are_checked_with_and_without_a_record(name: str, request: pytest.FixtureRequest) -> None:
    site: Site = request.getfixturevalue(name)
    for record in (None, showers(2)):
        check = design_check(site, record)
        kinds = [one.kind for one in check.findings]
        assert kinds == sorted(kinds, key=KINDS.index)
        cautions = " ".join(said(check, site, "caution"))
        for word in ("not for drinking", "erodes a slope", "trained people", "licensed practice"):
            assert word in cautions
        basis = " ".join(said(check, site, "basis"))
        assert ("30 years invented around the monthly means" in basis) == (record is None)


def test_what_of_a_record_is_not_run_is_named() -> None:
    site = site_of()
    whole = showers(3)
    rain = np.concatenate([np.zeros(48), whole.rain_mm, np.full(72, np.nan)])
    rain[48 + 8_760 : 48 + 8_760 + 500] = np.nan
    rain[60:70] = np.nan
    found = said(design_check(site, RainRecord(whole.start_ms - 48 * HOUR_MS, rain, "patchy")), site, "basis")
    (left,) = [line for line in found if "Left out" in line]
    assert left.startswith("Left out of the record, because more than 5 % of their hours are unknown: 2022.")
    assert any("whole years run: 2, from 2021 to 2023" in line for line in found), found
    assert any("Unknown hours of the years run: 10" in line for line in found)
    assert any("5 days of the record, before the first and after the last, are not used" in line for line in found)


def test_no_pump_is_spoken_of_where_there_is_none_and_no_difference_where_it_does_not_show() -> None:
    found = " ".join(said(design_check(site_of(battery=BATTERY), showers(2)), site_of(), "result"))
    assert "the load takes" in found
    assert "for the pump" not in found
    assert ("what is wanted all the same" in found) != ("what is wanted instead of" in found)


def test_what_the_site_file_does_not_say_is_said_to_be_unchecked() -> None:
    site = site_of(battery=BATTERY, pump=PUMP, draw=[TAP | {"feed": "pumped", "line": PIPE}, TAP | {"id": "hose"}])
    found = " ".join(said(design_check(site, showers(2)), site, "unchecked"))
    for lacking in ("gutter_capacity_l_min", "overflow_capacity_l_min", "Head and flow at hose", "curve_flow_l_min"):
        assert lacking in found


def test_both_promises_are_told_apart() -> None:
    site = site_of()
    means = said(design_check(site, None), site, "basis")
    assert "The account of what comes later holds the site to the same monthly means." in means
    (text,) = (one for one in said(design_check(site, showers(2)), site, "basis") if "account" in one)
    assert re.search(r"means of its file instead, 720 mm in a year; the years of this record have 6\d\d mm", text)
    bare = site_of().model_copy(update={"design": None})
    assert any("there is no account" in one for one in said(design_check(bare, showers(2)), bare, "basis"))


def test_what_rests_on_monthly_means_says_how_far_they_may_be_off() -> None:
    site = site_of()
    means, record = (said(design_check(site, rain), site, "promise") for rain in (None, showers(2)))
    assert any(re.search(r"in the worst of 30 invented years on \d+ %", one) for one in means)
    assert any("by up to 12 % of the days over all years, and by up to 17 % in the worst" in one for one in means)
    assert any(re.search(r"in the worst year, 202\d, on", one) for one in record)
    assert not any("monthly means" in one or "#" in one for one in record + means[:2])


def test_the_knee_is_told_and_so_is_that_there_is_none() -> None:
    site = site_of()
    assert any("has its knee at" in one for one in said(design_check(site, showers(2)), site, "result"))
    thirsty = site_of(draw=[TAP | {"litres_per_day": 5_000.0}], tank=[TANK | {"overflow_height_m": 0.005}])
    assert any("has no knee up to" in one for one in said(design_check(thirsty, showers(2)), thirsty, "result"))


def test_without_any_rain_there_is_no_check() -> None:
    site = site_of(design=None)
    with pytest.raises(SettingsError, match=r"no rain: give a record with --rain, or \[design\] rain_mm"):
        design_check(site, None)


def sized(site: Site) -> tuple[str, str]:
    found = said(design_check(site, showers(3)), site, "result")
    (seen,) = [line for line in found if line.startswith("Overflow once in 10 years")]
    (advice,) = [line for line in found if line.startswith("Size the overflow")]
    return seen, advice


def test_the_overflow_is_sized_for_full_tanks_within_the_hour_as_far_as_gutters_carry() -> None:
    seen, advice = sized(site_of(rain_peak_factor=30.0))
    assert "within the hour 30 times that" in seen
    assert "the record asks for more than the gutters' design rain, which brings 63 L/min from all roofs" in advice
    assert int(advice.split()[4]) > 63
    seen, _ = sized(site_of(rain_peak_factor=30.0, roof=[ROOF | {"gutter_capacity_l_min": 4.0}]))
    assert seen.endswith("as far as the gutters carry it: 4 L/min.")


def test_the_overflow_never_carries_less_than_the_gutters_design_rain_brings() -> None:
    # 75 mm/h on 50 m² are 62.5 L/min; three years of mild showers ask for a tenth of it.
    tank = TANK | {"overflow_capacity_l_min": 60.0}
    site = site_of(rain_peak_factor=1.5, tank=[tank])
    seen, advice = sized(site)
    assert int(seen.split()[-2]) < 30
    assert advice.startswith("Size the overflow for 63 L/min: so much the gutters' design rain brings")
    check = design_check(site, showers(3))
    assert any("carries 60 L/min, less than the 63 L/min that may come" in line for line in said(check, site))
    basis = said(check, site, "basis")
    assert "A record of 3 years cannot tell what comes once in 10 years: take its figure for a guess." in basis
    nine = said(design_check(site, showers(9)), site, "basis")
    assert any(line.startswith("A record of 9 years cannot tell what comes once in 10 years") for line in nine)
    spanish = Speaker(site.zone, language("es"))
    assert any(
        "Dimensione el rebosadero para 63 L/min: es lo que trae" in spanish.say(one.says) for one in check.findings
    )


def test_less_use_says_how_much_less_must_come_from_elsewhere() -> None:
    site, fewer = (site_of(draw=[TAP | {"litres_per_day": litres}]) for litres in (90.0, 80.0))
    now, then = (design_check(one, showers(3)).figures for one in (site, fewer))
    step = next(one for one in now.buys if one.lever == "draw")
    assert step.step == -10.0
    assert step.backup_l == pytest.approx(then.total.backup_l - now.total.backup_l, abs=0.5)
    (line,) = [line for line in said(design_check(site, showers(3)), site, "result") if "less use:" in line]
    # To three figures.
    assert line.startswith(f"10 L a day less use: {-round(step.backup_l, -1):,.0f} L a year less have to come")


def test_an_hourly_record_of_years_knows_its_own_peaks_and_a_daily_one_does_not() -> None:
    record = showers(3)
    hourly = design_check(site_of(), record).figures.storms
    assert hourly.peak_known
    daily = design_check(site_of(), replace(record, daily=True))
    assert (daily.figures.storms.peak_known, daily.figures.storms.peak_high) == (False, 12.0)
    assert any("within the hour 1.5 to 12 times that" in line for line in said(daily, site_of(), "result"))
    assert any(line.startswith("Hourly rain hides its peaks") for line in said(daily, site_of(), "basis"))
