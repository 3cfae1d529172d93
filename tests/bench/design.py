"""How long a design check takes, in one run.

    .venv/bin/python -m tests.bench.design [--years 30] [--json]

Thirty years of invented hourly rain, Skerrow Head: the whole check with its 41 sizes of tank, the curves
of the other levers and the steps; beside it one plain run of the site as it is over the same
hours, and the check as a user would write it with the same kernel, a run a size. Processor
seconds, the least of three after a warm-up, since the machine may have other work.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Callable
from typing import Any, Final

import numpy as np

from forecast.model.plan import plan_of
from forecast.outlook.record import RainRecord
from forecast.sizing.batch import batch_of, present
from forecast.sizing.check import design_check
from forecast.sizing.sweep import sweep
from forecast.sizing.years import years_of_record
from ingest.instants import HOUR_MS, from_rfc3339
from ingest.site import Site
from ingest.sitefile import load_sites
from tests.bench.forecast import ROOT

_FIRST: Final = 1991


def invented(years: int) -> RainRecord:
    """Hourly showers by chance."""
    start_ms = from_rfc3339(f"{_FIRST}-01-01T00:00:00Z")
    hours = (from_rfc3339(f"{_FIRST + years}-01-01T01:00:00Z") - start_ms) // HOUR_MS
    rng = np.random.default_rng(1)
    return RainRecord(start_ms, rng.exponential(1.4, hours) * (rng.random(hours) < 0.06), "invented")


def measure(years: int, times: int = 3) -> dict[str, Any]:
    """All figures."""
    site = load_sites(ROOT / "deploy" / "sites")["skerrow-head"]
    record = invented(years)
    plan, spans = plan_of(site), years_of_record(site, record)
    sizes = batch_of(present(site, plan, 100.0))
    whole = _least_s(lambda: design_check(site, record), times)
    one = _least_s(lambda: sweep(site, plan, spans, sizes[:1]), times)
    batch = _least_s(lambda: sweep(site, plan, spans, sizes), times)
    return {
        "years": years,
        "sizes": len(sizes),
        "tank_sizes": len(_tank_points(site, record)),
        "check_s": round(whole, 3),
        "plain_run_s": round(one, 3),
        "sizes_side_by_side_s": round(batch, 3),
        "check_over_plain_run": round(whole / one, 1),
        "one_by_one_over_side_by_side": round(len(sizes) * one / batch, 1),
    }


def _tank_points(site: Site, record: RainRecord) -> list[float]:
    curves = design_check(site, record).figures.curves
    return [point.size for point in next(curve for curve in curves if curve.lever == "tank").points]


def _least_s(work: Callable[[], object], times: int) -> float:
    work()
    taken = []
    for _ in range(times):
        begun = time.process_time()
        work()
        taken.append(time.process_time() - begun)
    return min(taken)


def main() -> None:
    parser = argparse.ArgumentParser(description="Measure how long a design check takes.")
    parser.add_argument("--years", type=int, default=30, help="years of hourly rain")
    parser.add_argument("--json", action="store_true", help="print JSON")
    options = parser.parse_args()
    figures = measure(options.years)
    if options.json:
        print(json.dumps(figures, indent=2))
        return
    for name, value in figures.items():
        print(f"{name:32}{value:>12,}")


if __name__ == "__main__":
    main()
