"""Decisions over members made by hand: what may be drawn, what is free, when to change over."""

from __future__ import annotations

import numpy as np
import pytest

from forecast.allowance import ALLOWANCE_D, Ahead, allowance, changeover, copied, decide, free_water, takeover
from forecast.members import member_drivers, site_beliefs
from forecast.model.balance import blank_state, run
from forecast.model.plan import plan_of
from ingest.instants import from_rfc3339
from ingest.site import Site
from ingest.sitefile import parse_site

START_MS = from_rfc3339("2026-06-01T00:00:00Z")
HOURS = 16 * 24


def house(litres_per_day: float = 50.0, **draw: object) -> Site:
    return parse_site(
        {
            "id": "h", "name": "h", "latitude": 50, "longitude": 8, "timezone": "UTC",
            "roof": [{"id": "r", "plan_area_m2": 100, "runoff_coefficient": 0.8, "wetting_loss_mm": 0.0, "tank": "t"}],
            "tank": [{"id": "t", "shape": "rectangular", "length_m": 1, "width_m": 1, "outlet_height_m": 0.1,
                      "overflow_height_m": 1.1}],
            "draw": [{"id": "d", "tank": "t", "feed": "gravity", "litres_per_day": litres_per_day, **draw}],
        },
        "test",
    )  # fmt: skip


def ahead_of(site: Site, volume_l: float, rain_mm: np.ndarray[tuple[int, int], np.dtype[np.float64]]) -> Ahead:
    """Nothing but the rain is uncertain."""
    plan, members = plan_of(site), rain_mm.shape[1]
    sure = site_beliefs(site)
    sure = sure._replace(
        coefficient=np.full_like(sure.coefficient, 0.8),
        coefficient_sigma=np.zeros_like(sure.coefficient_sigma),
        use=np.ones_like(sure.use),
        use_sigma=np.zeros_like(sure.use_sigma),
        day_sigma=0.0,
    )
    drivers = member_drivers(site, plan, rain_mm, START_MS, np.random.default_rng(1), sure)
    return Ahead(plan, drivers, blank_state(plan, members, volume_l=volume_l))


def days_of(ahead: Ahead) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Days to the first draw that cannot be fed, by member."""
    trace = run(ahead.plan, ahead.drivers, copied(ahead.state))
    return np.asarray(trace.runs_out_h[ahead.plan.feeds].min(axis=0) / 24)


def dry(members: int = 20) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    return np.zeros((HOURS, members))


def test_without_rain_the_allowance_is_the_usable_volume_over_the_days() -> None:
    found = allowance(ahead_of(house(), 800.0, dry()), 14, 0.05)
    assert found is not None
    assert found.allowance_l_day == pytest.approx(700.0 / 14, rel=0.02)
    assert found.chance <= 0.05
    # The search ends below, never above, what the water gives.
    assert found.allowance_l_day <= 700.0 / 14


def test_the_allowance_does_not_depend_on_what_the_site_file_expects_to_be_drawn() -> None:
    rain = np.random.default_rng(3).gamma(0.02, 4.0, (HOURS, 100))
    small, large = (allowance(ahead_of(house(litres), 600.0, rain), 14, 0.05) for litres in (10.0, 400.0))
    assert small is not None
    assert large is not None
    assert small.allowance_l_day == pytest.approx(large.allowance_l_day, rel=0.03)
    assert small.allowance_l_day > 600.0 / 14 * 0.8


def test_a_larger_risk_allows_more() -> None:
    rain = np.random.default_rng(3).gamma(0.02, 4.0, (HOURS, 100))
    found = [allowance(ahead_of(house(), 600.0, rain), 14, risk) for risk in (0.02, 0.1, 0.5)]
    drawn = [one.allowance_l_day for one in found if one]
    assert drawn == sorted(drawn)
    assert len(set(drawn)) == 3
    assert all(one.chance <= one.risk for one in found if one)


def test_the_allowance_looks_past_a_reserve_but_not_past_an_empty_tank() -> None:
    reserved = allowance(ahead_of(house(reserve_l=300), 800.0, dry()), 14, 0.05)
    assert reserved is not None
    assert reserved.allowance_l_day == pytest.approx(50.0, rel=0.02)
    empty = allowance(ahead_of(house(), 100.0, dry()), 14, 0.05)
    assert empty is not None
    assert (empty.allowance_l_day, empty.chance) == (0.0, 1.0)


def test_a_reserve_does_not_save_an_allowance_that_the_water_would_not() -> None:
    # Rain for everybody on the thirteenth day: until then there are 700 L.
    rain = dry(20)
    rain[12 * 24 + 12] = 30.0
    found = allowance(ahead_of(house(reserve_l=300), 800.0, rain), 14, 0.05)
    assert found is not None
    assert found.allowance_l_day == pytest.approx(700.0 / 12.5, rel=0.05)


def test_a_tank_that_leaks_dry_undrawn_allows_nothing_and_one_that_is_empty_neither() -> None:
    ahead = ahead_of(house(), 300.0, dry())
    leaking = ahead._replace(drivers=ahead.drivers._replace(leak_l_h=np.full((1, 20), 1.0)))  # 200 L in 8.3 days
    for lacking in (leaking, ahead_of(house(), 100.0, dry())):
        found = allowance(lacking, 14, 0.05)
        assert found is not None
        assert (found.allowance_l_day, found.chance) == (0.0, 1.0)


def test_nobody_who_draws_needs_no_allowance() -> None:
    assert allowance(ahead_of(house(months=[1]), 800.0, dry()), 14, 0.05) is None


def test_what_spills_for_sure_is_free_and_no_more() -> None:
    # 20 mm on 100 m² at 0.8 in hour 30: 1,600 L into a tank of 1,100 L; a tenth of the members gets none.
    rain = dry(20)
    rain[30] = 20.0
    full = ahead_of(house(), 1_000.0, rain)
    found = free_water(full, 7, 0.9)
    # Spilt: 1,600 L less the room, 100 L and 30 hours of use; but only 900 L can be drawn now.
    assert found.free_l == pytest.approx(900.0, abs=2)
    low = free_water(ahead_of(house(), 300.0, rain), 7, 0.9)
    assert low.free_l == pytest.approx(200.0, abs=2)
    rain[30] = 12.0
    some = free_water(ahead_of(house(), 800.0, rain), 7, 0.9)
    assert some.free_l == pytest.approx(960.0 - 300.0 - 30.0 * 50 / 24 - 50 / 24, abs=4)
    assert some.chance == 1.0
    rain[30, :5] = 0.0
    unsure = free_water(ahead_of(house(), 800.0, rain), 7, 0.9)
    assert (unsure.free_l, unsure.chance) == (0.0, 0.75)


def test_water_that_spills_after_a_shortage_is_not_free() -> None:
    # 60 L last a good day; the flood comes on the sixth.
    rain = dry(20)
    rain[5 * 24] = 30.0
    found = free_water(ahead_of(house(), 160.0, rain), 7, 0.9)
    assert (found.free_l, found.chance) == (0.0, 0.0)


def test_drawing_the_free_water_costs_nothing() -> None:
    rain = dry(20)
    rain[30] = 12.0
    before = ahead_of(house(), 800.0, rain)
    free_l = free_water(before, 7, 0.9).free_l
    after = ahead_of(house(), 800.0 - free_l, rain)
    np.testing.assert_array_equal(days_of(before), days_of(after))


def test_the_backup_opens_before_the_water_runs_out_and_closes_after_the_rain() -> None:
    # 250 L usable are 5 days of 50 L; rain on the ninth day fills the tank.
    rain = dry(20)
    rain[8 * 24 + 6] = 20.0
    ahead = ahead_of(house(), 350.0, rain)
    found = changeover(ahead, days_of(ahead))
    assert found.open_by_d == pytest.approx(5.0, abs=0.05)
    assert found.open_chance == 1.0
    # From day 4 on the 5 days reach the rain.
    assert found.close_after_d == 4
    assert found.close_chance == 0.0


def test_a_full_tank_keeps_the_backup_closed_and_a_drought_keeps_it_open() -> None:
    full = ahead_of(house(), 1_100.0, dry())
    found = changeover(full, days_of(full))
    assert (found.open_by_d, found.open_chance, found.close_after_d) == (None, 0.0, 0)
    drought = ahead_of(house(), 200.0, dry())
    found = changeover(drought, days_of(drought))
    assert found.open_by_d == pytest.approx(2.0, abs=0.05)
    assert (found.close_after_d, found.close_chance) == (None, 1.0)


def test_the_search_leaves_the_members_as_they_were() -> None:
    rain = dry(30)
    rain[3 * 24] = 2.0
    ahead = ahead_of(house(), 200.0, rain)
    before = [values.copy() for values in ahead.state]
    out_d = days_of(ahead)
    assert decide(ahead, out_d, backup=False).changeover is None
    assert decide(ahead, out_d, backup=True) == decide(ahead, out_d, backup=True)
    for values, old in zip(ahead.state, before, strict=True):
        np.testing.assert_array_equal(values, old)


def test_the_search_finds_what_all_members_asked_at_every_draw_would() -> None:
    rng = np.random.default_rng(7)
    ahead = ahead_of(house(), 600.0, rng.exponential(2.0, (HOURS, 60)) * (rng.random((HOURS, 60)) < 0.02))
    for risk in (0.02, 0.05, 0.3):
        found = allowance(ahead, ALLOWANCE_D, risk)
        assert found is not None

        def chance(l_day: float) -> float:
            demand = ahead.drivers.demand_l[: ALLOWANCE_D * 24]
            return float(ahead.within(ALLOWANCE_D * 24).runs_out(demand * (l_day * ALLOWANCE_D / demand.sum())).mean())

        assert found.chance == pytest.approx(chance(found.allowance_l_day), abs=1 / 60)
        assert found.chance <= risk
        # A hundredth more than the most that there can be is too much, unless nothing is.
        assert chance(found.allowance_l_day + 2.5) > risk


def test_a_backup_that_feeds_the_draws_gives_what_rain_water_does_not() -> None:
    # 250 L usable are 5 days of 50 L; the other 11 days are the backup's.
    found = takeover(ahead_of(house(), 350.0, dry()), HOURS, 0.0)
    assert found.opens.p50 == pytest.approx(5.0, abs=0.05)
    assert found.backup_l.p50 == [pytest.approx(11 * 50.0, abs=2.0)]
    assert takeover(ahead_of(house(), 350.0, dry()), HOURS, 24.0).opens.p50 == pytest.approx(4.0, abs=0.05)


def test_a_backup_that_pours_into_the_tank_keeps_it_at_its_marks() -> None:
    site = house()
    document = site.model_dump() | {
        "backup": {
            "id": "spring", "changeover": "by itself", "tank": site.tank[0].id,
            "opens_below_l": 100.0, "closes_above_l": 200.0, "flow_l_min": 5.0,
        }
    }  # fmt: skip
    piped = Site.model_validate(document)
    found = takeover(ahead_of(piped, 350.0, dry()), HOURS, 0.0)
    # 150 L above its mark last 3 days of 50 L; then it gives what is drawn.
    assert found.opens.p50 == pytest.approx(3.0, abs=0.1)
    assert found.backup_l.p50[0] == pytest.approx(13 * 50.0, abs=110.0)
    never = takeover(ahead_of(piped, 1_099.0, dry()), 4 * 24, 0.0)
    assert (never.opens.within, never.backup_l.p95) == (0.0, [0.0])
