"""Backup, open tanks, joined tanks, chambers emptied by hand, peaks: hours that can be checked by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from forecast.model.balance import LEDGER, Drivers, State, Trace, blank_state, run
from forecast.model.plan import NOWHERE, Plan, plan_of
from forecast.model.storage import storages_of
from forecast.model.sun import EVAPORATION_TO_DRYING
from ingest.errors import SiteFileError
from ingest.site import Site
from ingest.sitefile import parse_site

Table = dict[str, Any]

ROOF: Table = {"id": "roof", "plan_area_m2": 100.0, "runoff_coefficient": 0.9, "wetting_loss_mm": 0.0, "tank": "one"}
ONE: Table = {
    "id": "one", "shape": "rectangular", "length_m": 1.0, "width_m": 1.0,
    "outlet_height_m": 0.1, "overflow_height_m": 1.1,
}  # fmt: skip
BACKUP: Table = {
    "id": "spring", "changeover": "by itself", "tank": "one",
    "opens_below_l": 50.0, "closes_above_l": 150.0, "flow_l_min": 1.0,
}  # fmt: skip
TAP: Table = {"id": "tap", "tank": "one", "feed": "gravity", "litres_per_day": 24.0}


def site_of(**parts: Any) -> Site:
    whole: Table = {"id": "s", "name": "A supply", "latitude": 50.0, "longitude": 0.0, "timezone": "UTC"}
    return parse_site({**whole, "roof": [ROOF], "tank": [ONE], "draw": [TAP], **parts}, "test")


def drivers_of(plan: Plan, rain_mm: list[float], demand_l: float, drying_mm: float = 0.0) -> Drivers:
    hours, roofs = len(rain_mm), len(plan.roof_tank)
    tanks, draws = len(plan.dead_l), len(plan.draw_tank)
    return Drivers(
        rain_mm=np.array(rain_mm)[:, None],
        drying_mm=np.full(hours, drying_mm),
        sun_wh=np.zeros((hours, 1)),
        coefficient=np.full((roofs, 1), 0.9),
        leak_l_h=np.zeros((tanks, 1)),
        demand_l=np.full((hours, draws), demand_l),
        draw_day=np.zeros(hours, dtype=np.int64),
        draw_factor=np.ones((1, draws, 1)),
    )


def simulate(
    site: Site, rain_mm: list[float], volume_l: float, demand_l: float = 0.0, drying_mm: float = 0.0
) -> tuple[Trace, State]:
    plan = plan_of(site)
    state = blank_state(plan, 1, volume_l=volume_l)
    return run(plan, drivers_of(plan, rain_mm, demand_l, drying_mm), state, ledger=True), state


def column(trace: Trace, name: str) -> list[float]:
    return [float(value) for value in trace.ledger[LEDGER.index(name), :, 0]]


def test_a_backup_opens_below_one_volume_and_closes_above_another() -> None:
    # Dead storage is 100 L: it opens below 150 L, brings 60 L an hour, and closes at 250 L. 20 L are drawn.
    trace, _ = simulate(site_of(backup=BACKUP), [0.0] * 8, 165.0, demand_l=20.0)
    assert column(trace, "backup_l") == pytest.approx([0.0, 60.0, 60.0, 25.0, 20.0, 20.0, 20.0, 20.0])
    assert trace.volume_l[:, 0, 0] == pytest.approx([145.0, 185.0, 225.0, 230.0, 230.0, 230.0, 230.0, 230.0])


def test_a_backup_that_closed_stays_closed_until_it_is_needed_again() -> None:
    trace, state = simulate(site_of(backup=BACKUP), [0.0, 2.0, 0.0, 0.0, 0.0], 140.0, demand_l=40.0)
    # The rain of the second hour, 180 L, brings 300 L: it is closed, and stays so down to 150 L.
    assert column(trace, "backup_l") == pytest.approx([60.0, 60.0, 0.0, 0.0, 0.0])
    assert state.backup_open[0] == 0.0


def test_rain_water_is_used_up_when_the_backup_opens() -> None:
    trace, _ = simulate(site_of(backup=BACKUP), [0.0] * 4, 180.0, demand_l=20.0)
    assert trace.runs_out_h[0, 0] == pytest.approx(1.5)


@pytest.mark.parametrize(
    "backup", [{"id": "spring", "changeover": "by hand"}, {"id": "spring", "changeover": "by itself"}]
)
def test_a_backup_beside_the_tank_brings_no_water_into_it(backup: Table) -> None:
    trace, _ = simulate(site_of(backup=backup), [0.0] * 8, 165.0, demand_l=20.0)
    assert sum(column(trace, "backup_l")) == 0.0
    assert trace.volume_l[-1, 0, 0] == pytest.approx(100.0)


def test_into_an_open_tank_rain_falls_and_the_sun_takes_out() -> None:
    site = site_of(tank=[{**ONE, "length_m": 2.0, "open_top": True}])
    trace, _ = simulate(site, [5.0, 0.0], 1000.0, drying_mm=0.3)
    # 5 mm on 2 m² are 10 L, beside the roof's 450 L; 0.3 mm of a drying roof are 0.265 mm of open water.
    assert column(trace, "inflow_l") == pytest.approx([460.0, 0.0])
    assert column(trace, "evaporated_l") == pytest.approx([0.3 * EVAPORATION_TO_DRYING * 2.0] * 2)
    assert trace.volume_l[-1, 0, 0] == pytest.approx(1460.0 - 4 * 0.3 * EVAPORATION_TO_DRYING)


def test_no_more_evaporates_than_there_is() -> None:
    site = site_of(tank=[{**ONE, "open_top": True}], draw=[])
    trace, _ = simulate(site, [0.0, 0.0], 0.1, drying_mm=0.3)
    assert sum(column(trace, "evaporated_l")) == pytest.approx(0.1)


def test_joined_tanks_are_one_storage_up_to_the_lower_brim() -> None:
    low = {**ONE, "id": "two", "width_m": 2.0, "overflow_height_m": 0.9, "outlet_height_m": 0.3, "joined_with": "one"}
    draws = [TAP, {**TAP, "id": "beds", "tank": "two", "reserve_l": 100.0}]
    site = site_of(tank=[ONE, low], draw=draws)
    plan = plan_of(site)
    assert plan.capacity_l.tolist() == pytest.approx([2700.0])
    assert plan.dead_l.tolist() == pytest.approx([300.0])
    assert plan.draw_floor_l.tolist() == pytest.approx([300.0, 1000.0])
    assert plan.tank_storage.tolist() == [0, 0]
    assert plan.draw_tank.tolist() == [0, 0]
    trace, _ = simulate(site, [5.0], 2600.0)
    assert column(trace, "spilled_l") == pytest.approx([350.0])
    assert float(storages_of(site)[0].geometry.level_m(trace.volume_l[0, 0, 0])) == pytest.approx(0.9)


def test_joined_tanks_spill_where_the_lower_brim_leads() -> None:
    high = {**ONE, "overflow_height_m": 1.5, "overflow_to": "last"}
    low = {**ONE, "id": "two", "joined_with": "one"}
    site = site_of(tank=[high, low, {**ONE, "id": "last"}])
    assert plan_of(site).tank_next.tolist() == [NOWHERE, NOWHERE]
    lower = site_of(tank=[high, {**low, "overflow_height_m": 1.2, "overflow_to": "last"}, {**ONE, "id": "last"}])
    assert plan_of(lower).tank_next.tolist() == [1, NOWHERE]
    assert plan_of(lower).tank_storage.tolist() == [0, 0, 1]


def test_a_chamber_emptied_by_hand_takes_water_again() -> None:
    site = site_of(roof=[{**ROOF, "first_flush": {"volume_l": 60.0}}])
    plan = plan_of(site)
    drivers = drivers_of(plan, [1.0, 1.0, 1.0, 1.0], 0.0)
    emptied = drivers._replace(emptied=np.array([[0.0], [0.0], [1.0], [0.0]]))
    taken = [
        column(run(plan, given, blank_state(plan, 1, volume_l=200.0), ledger=True), "first_flush_l")
        for given in (drivers, emptied)
    ]
    assert taken == [pytest.approx([60.0, 0.0, 0.0, 0.0]), pytest.approx([60.0, 0.0, 60.0, 0.0])]


def test_a_peak_factor_takes_from_the_gutter_what_peaks_within_the_hour_do() -> None:
    roof = {**ROOF, "gutter_capacity_l_min": 10.0}
    mean, _ = simulate(site_of(roof=[roof]), [5.0], 200.0)
    peaked, _ = simulate(site_of(roof=[roof], rain_peak_factor=3.0), [5.0], 200.0)
    # 450 L in an hour pass 600 L/h; the same in 20 minutes is 1350 L/h, of which 200 L pass.
    assert column(mean, "gutter_loss_l") == [0.0]
    assert column(peaked, "gutter_loss_l") == pytest.approx([250.0])


@pytest.mark.parametrize(
    ("parts", "said"),
    [
        ({"backup": {**BACKUP, "changeover": "by hand"}}, 'only with changeover = "by itself"'),
        ({"backup": {"id": "spring", "changeover": "by itself", "tank": "one"}}, "together, or none of them"),
        ({"backup": {**BACKUP, "opens_below_l": 200.0}}, "an opens_below_l below the closes_above_l"),
        ({"backup": {**BACKUP, "tank": "nine"}}, "backup tank = 'nine'"),
        ({"tank": [{**ONE, "joined_with": "two"}, {**ONE, "id": "two"}]}, "a tank further up in the file"),
        ({"tank": [ONE, {**ONE, "id": "two", "joined_with": "nine"}]}, "the id of a tank: one, two"),
        (
            {"tank": [{**ONE, "overflow_to": "two"}, {**ONE, "id": "two", "joined_with": "one"}]},
            "not joined with this one",
        ),
    ],
)
def test_a_site_file_that_cannot_be_is_refused_with_the_key(parts: Table, said: str) -> None:
    with pytest.raises(SiteFileError, match=said.replace("(", r"\(")):
        site_of(**parts)


def test_a_backup_never_fills_beyond_the_brim() -> None:
    trace, _ = simulate(site_of(backup={**BACKUP, "closes_above_l": 1500.0, "flow_l_min": 30.0}), [0.0] * 2, 100.0)
    assert trace.volume_l[-1, 0, 0] == pytest.approx(1100.0)
    assert sum(column(trace, "spilled_l")) == 0.0
