"""A roof-and-tank case for two engines: US EPA SWMM 5 (pyswmm, swmm-toolkit), and ours."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from pyswmm import Nodes, Simulation

from forecast.model.balance import DRAWN, FIRST_FLUSH, INFLOW, SPILLED, Drivers, blank_state, run
from forecast.model.draw import demand_l
from forecast.model.plan import plan_of
from forecast.outlook.record import RainRecord
from ingest.instants import HOUR_MS, from_rfc3339, to_datetime
from ingest.sitefile import parse_site
from tests.reference.rain_records import schwingbach

#: SWMM is made for sewers: it takes flows of millilitres a second for none. So it gets a thousand
#: such roofs, tanks and taps side by side, and its volumes are divided by as many.
HOUSES: Final = 1_000


@dataclass(frozen=True)
class Case:
    """A storage of 1 m² plan area with roofs above it and one draw.

    roofs_m2        impervious roofs without losses
    capacity_m3, start_m3   of the tank, and at the beginning [m³]
    draw_l_day      constant, or within `pump_hours` alone, from and until [L/d]
    first_flush_mm  what every dry roof loses: depression storage in SWMM, a first-flush chamber here
    recovery_mm_h   how fast that room comes back: evaporation in SWMM, the chamber's drip here
    """

    roofs_m2: tuple[float, ...]
    capacity_m3: float
    start_m3: float
    draw_l_day: float
    pump_hours: tuple[int, int] | None = None
    first_flush_mm: float = 0.0
    recovery_mm_h: float = 0.0


@dataclass(frozen=True)
class Totals:
    """Volumes over the whole span [m³], and the volume at the end of each hour [m³]."""

    inflow: float
    overflow: float
    use: float
    volume: npt.NDArray[np.float64]


#: Roofs → storage → a weir at its brim, so long that little stands above its crest, and an outlet
#: or pump that delivers its flow as soon as there is a millimetre.
MODEL: Final = """
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
WET_STEP 00:00:10
DRY_STEP 00:05:00
ROUTING_STEP 10
VARIABLE_STEP 0
[EVAPORATION]
CONSTANT {recovery_mm_day}
[RAINGAGES]
gauge VOLUME 1:00 1.0 TIMESERIES rain
[SUBCATCHMENTS]
{subcatchments}
[SUBAREAS]
{subareas}
[INFILTRATION]
{infiltration}
[STORAGE]
tank 0 5 {start_m3} FUNCTIONAL 0 0 {houses} 0 0
[OUTFALLS]
slope -5 FREE NO
taps -5 FREE NO
[WEIRS]
overflow tank slope TRANSVERSE {capacity_m3} 1.84 NO 0 0 NO
[XSECTIONS]
overflow RECT_OPEN 0.5 {houses} 0 0
{draw}
[CURVES]
demand {curve} 0 0
demand 0.001 {draw_l_s}
demand 5 {draw_l_s}
[TIMESERIES]
{rain}
[REPORT]
INPUT NO
CONTROLS NO
"""
OUTLET: Final = "[OUTLETS]\ndraw tank taps 0 TABULAR/DEPTH demand NO"
PUMP: Final = """[PUMPS]
draw tank taps demand OFF 0 0
[CONTROLS]
RULE schedule
IF SIMULATION CLOCKTIME >= {0}:00:00
AND SIMULATION CLOCKTIME < {1}:00:00
THEN PUMP draw STATUS = ON
ELSE PUMP draw STATUS = OFF"""


def summer_of_2015() -> RainRecord:
    """June to September 2015 of the Schwingbach record."""
    record = schwingbach()
    start_ms = from_rfc3339("2015-06-01T00:00:00Z")
    hours = (from_rfc3339("2015-10-01T00:00:00Z") - start_ms) // HOUR_MS
    return RainRecord(start_ms, record.window(start_ms, hours), record.name)


def by_swmm(case: Case, record: RainRecord, folder: Path) -> Totals:
    """Run SWMM, which writes its files into `folder`."""
    start, end = to_datetime(record.start_ms), to_datetime(record.end_ms)
    rain = "\n".join(
        f"rain {to_datetime(record.start_ms + hour * HOUR_MS):%m/%d/%Y %H:%M} {depth:.6f}"
        for hour, depth in enumerate(record.rain_mm)
        if depth > 0
    )
    roofs = [(f"roof{place}", HOUSES * area_m2) for place, area_m2 in enumerate(case.roofs_m2)]
    hours = case.pump_hours[1] - case.pump_hours[0] if case.pump_hours else 24
    values: dict[str, Any] = {
        "start": start, "end": end, "rain": rain, "houses": HOUSES,
        "start_m3": case.start_m3, "capacity_m3": case.capacity_m3,
        "subcatchments": "\n".join(f"{name} gauge tank {m2 / 1e4} 100 {10 * m2} 20 0" for name, m2 in roofs),
        "subareas": "\n".join(f"{name} 0.01 0.1 {case.first_flush_mm} 0 0 OUTLET" for name, _ in roofs),
        "infiltration": "\n".join(f"{name} 3 0.5 4 7 0" for name, _ in roofs),
        "recovery_mm_day": 24 * case.recovery_mm_h,
        "draw": PUMP.format(*case.pump_hours) if case.pump_hours else OUTLET,
        "curve": "PUMP4" if case.pump_hours else "RATING",
        "draw_l_s": HOUSES * case.draw_l_day / (hours * 3_600),
    }  # fmt: skip
    model = folder / "case.inp"
    model.write_text(MODEL.format(**values))
    volume: list[float] = []
    with Simulation(str(model)) as simulation:
        simulation.step_advance(3600)
        nodes = Nodes(simulation)
        volume.extend(nodes["tank"].volume for _ in simulation)
        flows = {name: nodes[name].cumulative_inflow / HOUSES for name in ("tank", "slope", "taps")}
    # SWMM counts what the tank held at the start as inflow.
    return Totals(flows["tank"] - case.start_m3, flows["slope"], flows["taps"], np.array(volume) / HOUSES)


def by_us(case: Case, record: RainRecord) -> Totals:
    """Run the balance of the same site."""
    tank = {
        "id": "t", "shape": "rectangular", "length_m": 1.0, "width_m": 1.0,
        "outlet_height_m": 0.0, "overflow_height_m": case.capacity_m3,
    }  # fmt: skip
    roofs = [
        {
            "id": f"r{place}", "plan_area_m2": area_m2, "runoff_coefficient": 1.0, "wetting_loss_mm": 0.0, "tank": "t",
            "first_flush": {"volume_l": area_m2 * case.first_flush_mm, "drip_l_h": area_m2 * case.recovery_mm_h},
        }
        for place, area_m2 in enumerate(case.roofs_m2)
    ]  # fmt: skip
    draw: dict[str, Any] = {"id": "d", "tank": "t", "feed": "gravity", "litres_per_day": case.draw_l_day}
    if case.pump_hours:
        draw |= {"feed": "pumped", "hours": list(case.pump_hours)}
    place: dict[str, Any] = {"id": "swmm", "name": "A case", "latitude": 50.5, "longitude": 8.5, "timezone": "UTC"}
    pump = {"power_w": 100.0, "flow_l_min": 1_000.0}
    site = parse_site({**place, "roof": roofs, "tank": [tank], "draw": [draw], "pump": pump}, "case")
    plan, hours = plan_of(site), len(record.rain_mm)
    wanted, day = demand_l(site, record.start_ms, hours)
    drivers = Drivers(
        rain_mm=record.rain_mm[:, None],
        drying_mm=np.zeros(hours),
        sun_wh=np.zeros((hours, 1)),
        coefficient=np.ones((len(roofs), 1)),
        leak_l_h=np.zeros((1, 1)),
        demand_l=wanted,
        draw_day=day,
        draw_factor=np.ones((int(day[-1]) + 1, 1, 1)),
    )
    trace = run(plan, drivers, blank_state(plan, 1, volume_l=1000 * case.start_m3), ledger=True)
    sums = trace.ledger[:, :, 0].sum(axis=1) / 1000
    assert (sums[FIRST_FLUSH] > 0) == (case.first_flush_mm > 0)
    return Totals(float(sums[INFLOW]), float(sums[SPILLED]), float(sums[DRAWN]), trace.volume_l[:, 0, 0] / 1000)
