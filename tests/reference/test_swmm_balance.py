"""The balance against US EPA SWMM 5 (pyswmm, swmm-toolkit): another engine, the same water."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from pyswmm import Nodes, Simulation

from forecast.outlook.record import RainRecord
from forecast.replay import replay
from ingest.instants import HOUR_MS, from_rfc3339, to_datetime
from ingest.sitefile import parse_site
from tests.reference.rain_records import schwingbach

AREA_M2 = 100.0
CAPACITY_M3 = 2.0
START_M3 = 1.0
DRAW_L_DAY = 100.0
#: SWMM is made for sewers: it takes flows of millilitres a second for none. So it gets a thousand
#: such roofs, tanks and taps side by side, and its volumes are divided by as many.
HOUSES = 1_000

#: Roof → storage of 1 m² plan area → weir at its brim and an outlet that delivers a constant flow.
#: An impervious roof without losses; the weir is long, so little stands above its crest.
MODEL = """
[OPTIONS]
FLOW_UNITS LPS
FLOW_ROUTING DYNWAVE
START_DATE {start:%m/%d/%Y}
START_TIME 00:00:00
REPORT_START_DATE {start:%m/%d/%Y}
REPORT_START_TIME 00:00:00
END_DATE {end:%m/%d/%Y}
END_TIME 00:00:00
REPORT_STEP 01:00:00
WET_STEP 00:01:00
DRY_STEP 00:05:00
ROUTING_STEP 10
VARIABLE_STEP 0
[EVAPORATION]
CONSTANT 0
[RAINGAGES]
gauge VOLUME 1:00 1.0 TIMESERIES rain
[SUBCATCHMENTS]
roof gauge tank {area_ha} 100 {width_m} 5 0
[SUBAREAS]
roof 0.01 0.1 0 0 100 OUTLET
[INFILTRATION]
roof 3 0.5 4 7 0
[STORAGE]
tank 0 3 {start_m3} FUNCTIONAL 0 0 {houses} 0 0
[OUTFALLS]
slope -5 FREE NO
taps -5 FREE NO
[WEIRS]
overflow tank slope TRANSVERSE {capacity_m3} 1.84 NO 0 0 NO
[XSECTIONS]
overflow RECT_OPEN 0.5 {houses} 0 0
[OUTLETS]
draw tank taps 0 TABULAR/DEPTH demand NO
[CURVES]
demand RATING 0 0
demand 0.001 {draw_l_s}
demand 3 {draw_l_s}
[TIMESERIES]
{rain}
[REPORT]
INPUT NO
CONTROLS NO
"""


@dataclass(frozen=True)
class Totals:
    """Volumes over the whole span [m³], and the volume at the end of each hour [m³]."""

    inflow: float
    overflow: float
    use: float
    volume: np.ndarray[tuple[int], np.dtype[np.float64]]


def summer_of_2015() -> RainRecord:
    record = schwingbach()
    start_ms = from_rfc3339("2015-06-01T00:00:00Z")
    hours = (from_rfc3339("2015-10-01T00:00:00Z") - start_ms) // HOUR_MS
    return RainRecord(start_ms, record.window(start_ms, hours), record.name)


def by_swmm(record: RainRecord, folder: Path) -> Totals:
    start, end = to_datetime(record.start_ms), to_datetime(record.end_ms)
    rain = "\n".join(
        f"rain {to_datetime(record.start_ms + hour * HOUR_MS):%m/%d/%Y %H:%M} {depth:.6f}"
        for hour, depth in enumerate(record.rain_mm)
        if depth > 0
    )
    model = folder / "roof.inp"
    values = {
        "area_ha": HOUSES * AREA_M2 / 1e4,
        "width_m": HOUSES * AREA_M2,
        "houses": HOUSES,
        "start_m3": START_M3,
        "capacity_m3": CAPACITY_M3,
        "draw_l_s": HOUSES * DRAW_L_DAY / 86_400,
    }
    model.write_text(MODEL.format(start=start, end=end, rain=rain, **values))
    volume: list[float] = []
    with Simulation(str(model)) as simulation:
        simulation.step_advance(3600)
        nodes = Nodes(simulation)
        volume.extend(nodes["tank"].volume for _ in simulation)
        flows = {name: nodes[name].cumulative_inflow / HOUSES for name in ("tank", "slope", "taps")}
    # SWMM counts what the tank held at the start as inflow.
    return Totals(flows["tank"] - START_M3, flows["slope"], flows["taps"], np.array(volume) / HOUSES)


def by_us(record: RainRecord) -> Totals:
    site = parse_site(
        {
            "id": "swmm",
            "name": "A roof, a tank, a tap",
            "latitude": 50.5,
            "longitude": 8.5,
            "timezone": "UTC",
            "roof": [
                {"id": "r", "plan_area_m2": AREA_M2, "runoff_coefficient": 1.0, "wetting_loss_mm": 0.0, "tank": "t"}
            ],
            "tank": [
                {
                    "id": "t",
                    "shape": "rectangular",
                    "length_m": 1.0,
                    "width_m": 1.0,
                    "outlet_height_m": 0.0,
                    "overflow_height_m": CAPACITY_M3,
                }
            ],
            "draw": [{"id": "d", "tank": "t", "feed": "gravity", "litres_per_day": DRAW_L_DAY}],
        },
        "test",
    )
    table = replay(site, record, START_M3)
    sums = {name: float(table[name].sum()) / 1000 for name in ("inflow_l", "spilled_l", "drawn_l")}
    return Totals(sums["inflow_l"], sums["spilled_l"], sums["drawn_l"], table["volume_l"].to_numpy() / 1000)


def test_a_summer_of_real_rain_agrees_with_swmm(tmp_path: Path) -> None:
    record = summer_of_2015()
    swmm, ours = by_swmm(record, tmp_path), by_us(record)
    assert ours.inflow == pytest.approx(swmm.inflow, rel=0.005)
    assert ours.overflow == pytest.approx(swmm.overflow, rel=0.005)
    assert ours.use == pytest.approx(swmm.use, rel=0.005)
    hours = min(len(ours.volume), len(swmm.volume))
    assert hours >= len(ours.volume) - 1
    difference = np.abs(ours.volume[:hours] - swmm.volume[:hours])
    assert difference.mean() < 0.01 * CAPACITY_M3


def test_the_totals_are_those_obtained_with_swmm_before(tmp_path: Path) -> None:
    # Obtained once with pyswmm 2.2 and swmm-toolkit 0.17 on this case: 17.219, 4.988, 11.934 m³.
    ours = by_us(summer_of_2015())
    assert ours.inflow == pytest.approx(17.219, rel=0.005)
    assert ours.overflow == pytest.approx(4.988, rel=0.005)
    assert ours.use == pytest.approx(11.934, rel=0.005)
