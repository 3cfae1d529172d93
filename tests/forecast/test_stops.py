"""When a draw that leaves a reserve stops, and how long joined tanks last: figures by hand."""

from __future__ import annotations

from typing import Any

import pytest

from forecast.model.storage import stops_at_m
from forecast.result import Forecast
from ingest.site import Site
from ingest.sitefile import parse_site
from tests.forecast.test_predict import facts_of, forecast_of
from tests.spoken import spoken

ONE: dict[str, Any] = {
    "id": "one", "shape": "rectangular", "length_m": 1.0, "width_m": 1.0,
    "outlet_height_m": 0.1, "overflow_height_m": 1.1,
}  # fmt: skip
TWO = {**ONE, "id": "two", "width_m": 2.0, "joined_with": "one"}
TAP = {"id": "tap", "tank": "one", "feed": "gravity", "litres_per_day": 150.0}
BEDS = {"id": "beds", "tank": "two", "feed": "gravity", "litres_per_day": 200.0, "reserve_l": 1000.0}
#: Both together have 3 m²: the beds stop at 300 L + 1000 L, which is 0.43 m; of tank two alone it would be 0.60 m.
PAIR = "350 L a day wanted in the coming week from the tanks one and two, which are joined and share one level; "


def site_of(tanks: list[dict[str, Any]], draws: list[dict[str, Any]]) -> Site:
    roof = {"id": "roof", "plan_area_m2": 100.0, "runoff_coefficient": 0.9, "wetting_loss_mm": 0.0, "tank": "one"}
    sensors = [
        {"device": "d", "name": f"level-{tank['id']}", "measures": f"tank.{tank['id']}.level", "every_s": 300.0}
        for tank in tanks
    ]
    whole = {"id": "s", "name": "A supply", "latitude": 50.0, "longitude": 0.0, "timezone": "UTC"}
    return parse_site({**whole, "roof": [roof], "tank": tanks, "draw": draws, "sensor": sensors}, "test")


def supply(forecast: Forecast) -> list[str]:
    return spoken(forecast.reasons)[1:]


def test_joined_tanks_are_reckoned_once_and_each_draw_to_its_own_end() -> None:
    # 3000 L: the beds stop after (3000 - 1300) L / 350 L/d = 4.9 d; the tap has 1000 L / 150 L/d = 6.7 d more.
    site = site_of([ONE, TWO], [TAP, BEDS])
    assert supply(forecast_of(site, facts_of(site, 1.0))) == [
        f"{PAIR}the 2,700 L within reach last 12 days without rain.",
        (
            "beds stops at a level of 0.43 m: without rain, that is 4 days away; "
            "with the rain to be expected, as likely as not before Monday 16 November."
        ),
    ]


def test_a_draw_below_its_reserve_gets_nothing_now() -> None:
    # 0.4 m is 1200 L: the tap alone lives on, 900 L / 150 L/d = 6 d.
    site = site_of([ONE, TWO], [TAP, BEDS])
    assert supply(forecast_of(site, facts_of(site, 0.4))) == [
        f"{PAIR}the 900 L within reach last 6 days without rain.",
        "beds gets nothing now: it stops at a level of 0.43 m, and the water stands at 0.40 m.",
    ]


def test_rain_that_keeps_the_level_up_keeps_the_draw_with_a_reserve() -> None:
    # 0.5 mm/h on 100 m² are about 1000 L a day: more than anybody takes.
    site = site_of([ONE, TWO], [TAP, BEDS])
    assert supply(forecast_of(site, facts_of(site, 1.0), rain_mm_h=0.5))[1] == (
        "beds stops at a level of 0.43 m: without rain, that is 4 days away; "
        "with the rain to be expected, less than one chance in a hundred within 16 days."
    )


def test_a_reserve_in_a_tank_of_its_own_is_kept_too() -> None:
    # 1 m²: 900 L above the outlet, the reserve is 400 of them: 500 L / 100 L/d.
    site = site_of([ONE], [{**BEDS, "tank": "one", "litres_per_day": 100.0, "reserve_l": 400.0}])
    said = supply(forecast_of(site, facts_of(site, 1.0)))
    assert said[0] == (
        "100 L a day wanted from tank one in the coming week; the 500 L within reach last 5 days without rain."
    )
    assert said[1].startswith("beds stops at a level of 0.50 m: without rain, that is 5 days away;")


def test_the_outlet_of_its_own_tank_stops_a_draw_of_joined_tanks() -> None:
    site = site_of([ONE, {**TWO, "outlet_height_m": 0.3}], [TAP, {**BEDS, "reserve_l": 0.0}])
    assert "beds stops at a level of 0.30 m" in " ".join(supply(forecast_of(site, facts_of(site, 1.0))))


@pytest.mark.parametrize(("tanks", "level_m"), [([ONE, TWO], 1300 / 3000), ([ONE, {**TWO, "joined_with": None}], 0.6)])
def test_a_draw_of_joined_tanks_stops_at_one_level_of_both(tanks: list[dict[str, Any]], level_m: float) -> None:
    site = site_of([{k: v for k, v in tank.items() if v is not None} for tank in tanks], [TAP, BEDS])
    assert stops_at_m(site, site.draw[1]) == pytest.approx(level_m)


def test_one_event_has_one_chance_whoever_says_it(skerrow_head: Site) -> None:
    # A member of these runs out in the last hour of the run, a part of which lies beyond the horizon.
    forecast = forecast_of(skerrow_head, facts_of(skerrow_head, 0.806))
    assert forecast.decisions is not None
    assert forecast.decisions.changeover is not None
    assert forecast.decisions.changeover.open_by_d is None
    assert forecast.decisions.changeover.open_chance == pytest.approx(forecast.runs_out.within)
