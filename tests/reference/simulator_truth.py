"""The forecast's bands on sites whose truth is not its own balance but the simulator's physics, by the minute.

Three random sites, a year each, a forecast every fortnight from hourly rain and one level. Before
each, the true roof and use are drawn from the spread that the forecast states about its site file.
How often did the bands of the level hold the level that came?

    .venv/bin/python -m tests.reference.simulator_truth [--json] [--issues 26]
"""

from __future__ import annotations

from functools import partial
from typing import Final, NamedTuple

import numpy as np

from forecast.cases import LEADS_D
from forecast.facts import SPIN_UP_DAYS, Facts, LevelNow
from forecast.members import COEFFICIENT_SIGMA
from forecast.model.draw import FIGURE_SIGMA
from forecast.model.geometry import geometry_of
from forecast.outlook.history import history_outlook
from forecast.outlook.record import RainRecord
from forecast.predict import HORIZON_H, MEMBERS, predict, timeline
from ingest.instants import DAY_MS, HOUR_MS, from_rfc3339
from ingest.site import Site
from ingest.sitefile import parse_site
from ingest.units import LITRES_PER_M3
from simulator.plant import Plant
from simulator.weather import hourly_record, invented_weather
from tests.reference.telling import parser, side_by_side, tell

YEAR: Final = 2025
#: Years of invented rain before and after, from which the forecast knows the season.
RECORD: Final = (2021, 2027)
ISSUES: Final = 26
SITES: Final = 3
NOISE_M: Final = 0.004
_DAY_MIN: Final = 24 * 60


class Case(NamedTuple):
    """A band of the level and the level that came, at a lead; inner: the band touches neither brim nor outlet."""

    lead_d: int
    inner: bool
    held_50: bool
    held_90: bool


def random_site(number: int) -> Site:
    """A site that nobody thought of: its roof, losses, tank and use."""
    rng = np.random.default_rng([11, number])
    rain_mm = [float(round(mm)) for mm in rng.uniform(30, 90) * rng.uniform(0.6, 1.4, 12)]
    area_m2, coefficient = float(round(rng.uniform(30, 150))), float(round(rng.uniform(0.7, 0.95), 2))
    litres = round(rng.uniform(0.3, 0.7) * area_m2 * coefficient * sum(rain_mm) / 365)
    store_m3 = litres * rng.uniform(15, 40) / LITRES_PER_M3
    flush = {"volume_l": float(round(0.4 * area_m2)), "drip_l_h": float(round(rng.uniform(0.5, 3), 1))}
    return parse_site(
        {
            "id": f"site-{number}", "name": "Made up", "latitude": float(rng.uniform(-50, 60)), "longitude": 0.0,
            "timezone": "UTC",
            "roof": [{"id": "r", "plan_area_m2": area_m2, "runoff_coefficient": coefficient, "tank": "t",
                      "wetting_loss_mm": float(round(rng.uniform(0.2, 1.0), 1)), "first_flush": flush}],
            "tank": [{"id": "t", "shape": "rectangular", "length_m": store_m3, "width_m": 1.0, "outlet_height_m": 0.1,
                      "overflow_height_m": 1.1}],
            "draw": [{"id": "d", "tank": "t", "feed": "gravity", "litres_per_day": float(litres), "hours": [6, 22]}],
            "sensor": [{"device": "p", "name": "level", "measures": "tank.t.level", "noise": NOISE_M}],
            "design": {"rain_mm": rain_mm},
        },
        "random",
    )  # fmt: skip


def true_site(site: Site, rng: np.random.Generator) -> Site:
    """The site as it might really be: its file's figures are only figures."""
    roof, draw = site.roof[0], site.draw[0]
    coefficient = roof.runoff_coefficient * rng.lognormal(-(COEFFICIENT_SIGMA**2) / 2, COEFFICIENT_SIGMA)
    litres = draw.litres_per_day * rng.lognormal(-(FIGURE_SIGMA**2) / 2, FIGURE_SIGMA)
    return site.model_copy(
        update={
            "roof": [roof.model_copy(update={"runoff_coefficient": min(1.0, float(coefficient))})],
            "draw": [draw.model_copy(update={"litres_per_day": float(litres)})],
        }
    )


def cases_of(number: int, issues: int = ISSUES) -> list[Case]:
    """All cases of one random site."""
    site = random_site(number)
    rng = np.random.default_rng([12, number])
    first_ms = from_rfc3339(f"{RECORD[0]}-01-01T00:00:00Z")
    hours = (from_rfc3339(f"{RECORD[1]}-01-01T00:00:00Z") - first_ms) // HOUR_MS
    record = RainRecord(first_ms, hourly_record(site, first_ms, hours, number).rain_mm, "invented")
    found: list[Case] = []
    for issue in range(issues):
        day = SPIN_UP_DAYS + round(issue * (365 - HORIZON_H // 24 - SPIN_UP_DAYS) / max(1, issues - 1))
        now_ms = from_rfc3339(f"{YEAR}-01-01T06:00:00Z") + day * DAY_MS
        found += _issue(site, record, now_ms, number, rng)
    return found


def _issue(site: Site, record: RainRecord, now_ms: int, seed: int, rng: np.random.Generator) -> list[Case]:
    start_ms = now_ms - SPIN_UP_DAYS * DAY_MS
    weather = invented_weather(site, start_ms, (SPIN_UP_DAYS + HORIZON_H // 24) * _DAY_MIN, seed)
    truth = Plant(true_site(site, rng), int(rng.integers(2**31)), fill=float(rng.uniform(0.2, 1.0))).run(weather)
    levels = truth.tanks["t"].level_m
    geometry = geometry_of(site.tank[0])
    level_m = float(levels[SPIN_UP_DAYS * _DAY_MIN - 1] + rng.normal(0, NOISE_M))
    sd_l = float(NOISE_M * geometry.surface_m2(level_m) * LITRES_PER_M3)
    measured = record.window(start_ms, SPIN_UP_DAYS * 24 + 1)
    facts = Facts(
        now_ms, {"t": LevelNow(now_ms, level_m, float(geometry.volume_l(level_m)), sd_l)}, start_ms, measured, now_ms
    )
    outlook = history_outlook(
        record, *timeline(facts), MEMBERS, rng, without_year=YEAR, measured_mm=measured[: SPIN_UP_DAYS * 24]
    )
    band = predict(site, facts, outlook, rng).tanks[0].level_m
    low, high = site.tank[0].outlet_height_m + 0.001, site.tank[0].overflow_height_m - 0.001
    cases = []
    for lead in LEADS_D:
        hour = lead * 24 - 1
        came = float(levels[(SPIN_UP_DAYS + lead) * _DAY_MIN - 1])
        cases.append(
            Case(
                lead,
                band.p05[hour] > low and band.p95[hour] < high,
                band.p25[hour] <= came <= band.p75[hour],
                band.p05[hour] <= came <= band.p95[hour],
            )
        )
    return cases


class Held(NamedTuple):
    """How often the bands held the level, of those that touch neither brim nor outlet, and the 90 % band of all."""

    lead: str
    cases: int
    held_50: float
    held_90: float
    all_cases: int
    all_held_90: float


def table(cases: list[Case]) -> list[Held]:
    """By lead, and pooled."""
    rows = []
    for lead in (*LEADS_D, None):
        of_lead = [case for case in cases if lead is None or case.lead_d == lead]
        inner = [case for case in of_lead if case.inner]
        rows.append(
            Held(
                f"day {lead}" if lead else "pooled",
                len(inner),
                round(float(np.mean([case.held_50 for case in inner])), 3),
                round(float(np.mean([case.held_90 for case in inner])), 3),
                len(of_lead),
                round(float(np.mean([case.held_90 for case in of_lead])), 3),
            )
        )
    return rows


def main() -> None:
    """Print the table."""
    asked = parser("Coverage with the simulator as truth.", workers=True)
    asked.add_argument("--issues", type=int, default=ISSUES, help="forecasts in the year of each site")
    options = asked.parse_args()
    of_sites = side_by_side(partial(cases_of, issues=options.issues), range(SITES), options.workers)
    tell({"held": table([case for of_site in of_sites for case in of_site])}, as_json=options.json)


if __name__ == "__main__":
    main()
