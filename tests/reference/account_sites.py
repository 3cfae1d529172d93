"""Ten random sites of a year each, clean or with a planted fault, and what truly happened to their water."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from forecast.account.measured import Measured, read_measured
from ingest.instants import DAY_MS, from_rfc3339
from ingest.site import Site
from ingest.sitefile import parse_site
from ingest.store.sqlite import SqliteStore
from ingest.units import LITRES_PER_M3
from simulator.faults import Fault
from simulator.plant import Plant
from simulator.sensors import Sensors
from simulator.weather import InventedWeather

START_MS: Final = from_rfc3339("2025-01-01T00:00:00Z")
DAYS: Final = 365
SITES: Final = 10
_DAY_MIN: Final = 24 * 60
#: Days that the physics are run at a time: a year of minutes at once takes much memory.
_SPAN_DAYS: Final = 73


@dataclass(frozen=True)
class Happened:
    """What truly happened. [L]"""

    rain_mm: float
    inflow_l: float
    drawn_l: float
    spilled_l: float
    leak_l: float


#: Cause as the account names it → what is planted at a site.
def planted(site: Site, cause: str, days: int = DAYS) -> tuple[Fault, ...]:
    """The fault of a cause, as the project's aims state it."""
    end_ms = START_MS + days * DAY_MS
    level = next(sensor.id for sensor in site.sensor if sensor.measures.endswith(".level"))
    # Three weeks in the site's wettest month, and the next: a gutter that is blocked in a drought costs nothing.
    wettest = int(np.argmax(site.design.rain_mm)) if site.design else 0
    blocked_ms = START_MS + min(round(wettest * 30.4 + 5), days - 30) * DAY_MS
    match cause:
        case "clean":
            return ()
        case "coefficient":
            return (Fault("roof-coefficient", "r", START_MS, end_ms, 0.2),)
        case "first-flush":
            return (Fault("first-flush-open", "r", START_MS + days // 3 * DAY_MS, end_ms, 20.0),)
        case "leak":
            return (Fault("leak", "t", START_MS, end_ms, 2.0),)
        case "gutter":
            return (Fault("gutter-blocked", "r", blocked_ms, blocked_ms + 21 * DAY_MS, 1.0),)
        case "level-sensor":
            return (Fault("sensor-drift", level, START_MS, end_ms, 0.03 / days),)
        case _:
            raise ValueError(f"cause {cause!r}: expected one of {', '.join(CAUSES)}")


CAUSES: Final = ("clean", "coefficient", "first-flush", "leak", "gutter", "level-sensor")


def random_site(number: int) -> Site:
    """A site that nobody thought of: its roof, losses, tank, use, and which meters it has."""
    rng = np.random.default_rng([21, number])
    rain_mm = [float(round(mm)) for mm in rng.uniform(40, 90) * rng.uniform(0.6, 1.4, 12)]
    area_m2, coefficient = float(round(rng.uniform(40, 150))), float(round(rng.uniform(0.75, 0.95), 2))
    litres = round(rng.uniform(0.4, 0.9) * area_m2 * coefficient * sum(rain_mm) / 365)
    store_m3 = litres * rng.uniform(15, 40) / LITRES_PER_M3
    flush = {"volume_l": float(round(0.4 * area_m2)), "drip_l_h": float(round(rng.uniform(0.5, 3), 1))}
    sensors = [("level", "tank.t.level", {"noise": 0.004}), ("rain", "rain.total", {})]
    # Every second site has a meter at the inlet, all but two one at the draw.
    if number % 2:
        sensors.append(("inflow", "roof.r.total", {}))
    if number % 5 != 4:
        sensors.append(("draw", "draw.d.total", {}))
    return parse_site(
        {
            "id": f"account-{number}", "name": "Made up", "latitude": float(rng.uniform(-50, 60)), "longitude": 0.0,
            "timezone": "UTC",
            "roof": [{"id": "r", "plan_area_m2": area_m2, "runoff_coefficient": coefficient, "tank": "t",
                      "wetting_loss_mm": float(round(rng.uniform(0.2, 0.8), 1)), "first_flush": flush,
                      "gutter_capacity_l_min": float(round(1.25 * area_m2))}],
            "tank": [{"id": "t", "shape": "rectangular", "length_m": store_m3, "width_m": 1.0, "outlet_height_m": 0.1,
                      "overflow_height_m": 1.1}],
            "draw": [{"id": "d", "tank": "t", "feed": "gravity", "litres_per_day": float(litres), "hours": [6, 22]}],
            "sensor": [{"device": "p", "name": name, "measures": measures, "every_s": 300.0, **more}
                       for name, measures, more in sensors],
            "design": {"rain_mm": rain_mm},
        },
        "random",
    )  # fmt: skip


def simulated(site: Site, seed: int, faults: tuple[Fault, ...], store: SqliteStore, days: int = DAYS) -> Happened:
    """Let the physics and the devices of a site speak into a store; what truly happened."""
    weather, plant = InventedWeather(site, seed), Plant(site, seed, faults=faults)
    sensors = Sensors(site, seed, dropout=0.002, slosh_m=0.004, faults=faults)
    sums = np.zeros(5)
    for first in range(0, days, _SPAN_DAYS):
        span = weather.span(START_MS + first * DAY_MS, min(_SPAN_DAYS, days - first) * _DAY_MIN)
        truth = plant.run(span)
        readings = sensors.read(truth)
        for start in range(0, len(readings), 20_000):
            store.write(readings[start : start + 20_000])
        sums += [
            span.rain_mm.sum(),
            sum(roof.inflow.sum() for roof in truth.roofs.values()),
            sum(draw.drawn.sum() for draw in truth.draws.values()),
            truth.spilled_l.sum(),
            sum(tank.leak_l.sum() for tank in truth.tanks.values()),
        ]
    store.roll_up(START_MS + (days + 1) * DAY_MS)
    return Happened(*map(float, sums))


def played(number: int, cause: str, folder: Path, days: int = DAYS) -> tuple[Site, Measured, Happened]:
    """One random site with one cause planted: its description, what was measured, what truly happened."""
    site = random_site(number)
    store = SqliteStore(folder / f"{site.id}-{cause}.db")
    try:
        truth = simulated(site, number, planted(site, cause, days), store, days)
        return site, read_measured(site, store, START_MS, START_MS + days * DAY_MS), truth
    finally:
        store.close()
