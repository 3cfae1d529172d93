"""Joined tanks, a pond under the sky and a backup that fills by itself: the account finds the balance that was run."""

from __future__ import annotations

import numpy as np
import pytest

from forecast.account.account import account
from forecast.account.designed import drying_of
from forecast.account.measured import Measured
from forecast.model.balance import BACKUP, DRAWN, INFLOW, SPILLED, Drivers, blank_state, run
from forecast.model.draw import demand_l
from forecast.model.plan import plan_of
from forecast.model.storage import storages_of
from ingest.instants import from_rfc3339
from ingest.sitefile import parse_site

START_MS = from_rfc3339("2025-07-01T00:00:00Z")
HOURS = 200 * 24
SITE = parse_site(
    {
        "id": "mill-hut", "name": "Old mill hut", "latitude": -33.2, "longitude": 149.1, "timezone": "Australia/Sydney",
        "roof": [
            {"id": "south", "plan_area_m2": 60.0, "runoff_coefficient": 0.85, "tank": "a"},
            {"id": "lean-to", "plan_area_m2": 20.0, "runoff_coefficient": 0.8, "tank": "b"},
            {"id": "barn", "plan_area_m2": 40.0, "runoff_coefficient": 0.8, "tank": "pond"},
        ],
        "tank": [
            {"id": "a", "shape": "vertical_cylinder", "diameter_m": 1.8, "outlet_height_m": 0.1,
             "overflow_height_m": 1.9},
            {"id": "b", "shape": "vertical_cylinder", "diameter_m": 1.2, "outlet_height_m": 0.1,
             "overflow_height_m": 1.9, "joined_with": "a"},
            {"id": "pond", "shape": "rectangular", "length_m": 3.0, "width_m": 2.0, "outlet_height_m": 0.1,
             "overflow_height_m": 0.8, "open_top": True},
        ],
        "draw": [{"id": "kitchen", "tank": "a", "feed": "gravity", "litres_per_day": 160.0, "hours": [6, 21]}],
        "backup": {"id": "bore", "changeover": "by itself", "tank": "a", "opens_below_l": 300.0,
                   "closes_above_l": 800.0, "flow_l_min": 10.0},
        "design": {"rain_mm": [80, 70, 60, 50, 50, 45, 45, 50, 55, 65, 70, 75]},
    },
    "mill-hut.toml",
)  # fmt: skip


def test_the_balance_that_was_run_is_the_account() -> None:
    rng = np.random.default_rng(1)
    # Six dry weeks first, so that the backup has to fill.
    rain_mm = np.where((rng.random(HOURS) < 0.05) & (np.arange(HOURS) > 1_000), rng.gamma(0.8, 3.0, HOURS), 0.0)
    wanted_l, day = demand_l(SITE, START_MS, HOURS)
    drivers = Drivers(
        rain_mm=rain_mm[:, None],
        drying_mm=drying_of(SITE, START_MS, rain_mm),
        sun_wh=np.zeros((HOURS, 1)),
        coefficient=np.array([[roof.runoff_coefficient] for roof in SITE.roof]),
        leak_l_h=np.zeros((2, 1)),
        demand_l=wanted_l,
        draw_day=day,
        draw_factor=np.ones((int(day[-1]) + 1, 1, 1)),
    )
    start_l = np.array([[1_500.0], [2_000.0]])
    trace = run(plan_of(SITE), drivers, blank_state(plan_of(SITE), 1, volume_l=start_l), ledger=True)
    volume_l = np.concatenate([start_l.T, trace.volume_l[:, :, 0]])
    levels = [storage.geometry.level_m(volume_l[:, place]) for place, storage in enumerate(storages_of(SITE))]
    level_m = dict(zip(("a", "pond"), levels, strict=True))
    mean_m = {tank: (level[:-1] + level[1:]) / 2 for tank, level in level_m.items()}
    ledger = trace.ledger[:, :, 0]
    assert ledger[BACKUP].sum() > 1_000
    assert ledger[SPILLED].sum() > 5_000
    found = account(SITE, Measured(START_MS, rain_mm, level_m, mean_m, {"kitchen": ledger[DRAWN]}, {}, ledger[BACKUP]))
    assert [roofs.roofs for roofs in found.roofs] == ["south + lean-to", "barn"]
    assert found.roofs[0].coefficient == pytest.approx((60 * 0.85 + 20 * 0.8) / 80, abs=0.02)
    assert found.roofs[1].coefficient == pytest.approx(0.8, abs=0.02)
    whole = found.whole
    # Water that the backup poured in is no rain water.
    assert whole.actual_yield_l == pytest.approx(ledger[DRAWN].sum() - ledger[BACKUP].sum(), rel=1e-6)
    assert whole.actual.inflow_l == pytest.approx(ledger[INFLOW].sum(), rel=0.02)
    assert whole.actual.spilled_l == pytest.approx(ledger[SPILLED].sum(), rel=0.04)
    assert sum(part.litres for part in whole.parts) == pytest.approx(whole.shortfall_l, abs=1e-3)
    # What is left over makes the parts add up whatever they are: so it has to be small.
    assert abs(whole.part("unexplained")) < 0.03 * whole.designed_yield_l
    assert not {"leak", "coefficient", "gutter", "first-flush"} & {one.cause for one in found.whole.named}
