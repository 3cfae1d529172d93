"""How fast forecasts are, in one run.

    .venv/bin/python -m tests.bench.forecast [--sites 10000] [--worker-sites 200] [--json]

Kernel: 50 members, 384 h, the two example sites in July; the least of several runs by the core's own
clock, for this machine may have other work. Plain Python is the same text with compiling off, in a
process of its own; NumPy is `numpy_balance.py`, an array operation a term over sites and members. A
site's figures are volumes at five quantiles by hour and the first passages to empty, brim and cut-off.
The worker reads SQLite (a day of readings every five minutes, hourly roll-ups before) and writes its
documents to SQLite. A cold start is a new process from its first import to the recorded forecast.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any, Final

import numpy as np

from forecast.members import member_drivers
from forecast.model.balance import Drivers, Trace, blank_state, run
from forecast.model.passage import passages, quantiles
from forecast.model.plan import Plan, plan_of
from forecast.outlook.record import RainRecord
from forecast.worker import Worker
from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS, from_rfc3339
from ingest.reading import Reading
from ingest.site import Site
from ingest.sitefile import load_sites
from ingest.store.readings import Rollup
from ingest.store.records import Records
from ingest.store.sqlite import SqliteStore
from tests.bench.numpy_balance import run_batched

ROOT: Final = Path(__file__).parent.parent.parent
HOURS: Final = 384
MEMBERS: Final = 50
NOW_MS: Final = from_rfc3339("2026-07-10T10:25:00Z")
NAMES: Final = ("skerrow-head", "tarn-orchard")


def case_of(site: Site) -> tuple[Plan, Drivers]:
    """A site's summer, showers by chance."""
    plan, rng = plan_of(site), np.random.default_rng(1)
    rain = rng.exponential(1.5, (HOURS, MEMBERS)) * (rng.random((HOURS, MEMBERS)) < 0.08)
    return plan, member_drivers(site, plan, rain, NOW_MS - NOW_MS % HOUR_MS, rng)


def simulate(plan: Plan, drivers: Drivers) -> Trace:
    return run(plan, drivers, blank_state(plan, MEMBERS, volume_l=plan.capacity_l[:, None] * 0.4))


def figures_of(plan: Plan, drivers: Drivers) -> None:
    """All that a forecast says in numbers of one site."""
    trace = simulate(plan, drivers)
    quantiles(trace.volume_l, in_place=True)
    passages(np.concatenate([trace.runs_out_h, trace.overflows_h, trace.cutoff_h[None]]), HOURS)


def least_s(work: Callable[[], object], times: int) -> float:
    """The least time of several runs, by the core's own clock: other work on the machine does not count. [s]"""
    taken = []
    for _ in range(times):
        begun = time.thread_time()
        work()
        taken.append(time.thread_time() - begun)
    return min(taken)


def plain_python_s(name: str) -> float:
    """One run of the kernel's text without compiling, in its own process. [s]"""
    code = (
        "from tests.bench.forecast import case_of, simulate, least_s, load_sites, ROOT\n"
        f"case = case_of(load_sites(ROOT / 'deploy/sites')[{name!r}])\n"
        "print(least_s(lambda: simulate(*case), 3))"
    )
    environment = {**os.environ, "NUMBA_DISABLE_JIT": "1"}
    done = subprocess.run(
        [sys.executable, "-c", code], check=True, capture_output=True, text=True, cwd=ROOT, env=environment
    )
    return float(done.stdout)


def kernel(times: int, batch: int) -> dict[str, Any]:
    """The kernel beside plain Python and NumPy, and with the figures made of it."""
    sites = load_sites(ROOT / "deploy" / "sites")
    found: dict[str, Any] = {}
    for name in NAMES:
        plan, drivers = case_of(sites[name])
        figures_of(plan, drivers)
        ours, whole = (least_s(partial(work, plan, drivers), times) for work in (simulate, figures_of))
        found[name] = {
            "kernel_ms": round(1e3 * ours, 4),
            "times_plain_python": round(plain_python_s(name) / ours),
            "with_figures_ms": round(1e3 * whole, 4),
            "sites_per_s_a_core": round(1 / whole),
        }
    plan, drivers = case_of(sites["skerrow-head"])
    state = blank_state(plan, MEMBERS, volume_l=plan.capacity_l[:, None] * 0.4)
    rival = least_s(lambda: run_batched(plan, drivers, state, batch), max(1, times // 100)) / batch
    ours = least_s(lambda: simulate(plan, drivers), times)
    found["skerrow-head"] |= {"numpy_ms": round(1e3 * rival, 4), "times_numpy": round(rival / ours, 1)}
    return found


def linear(most: int) -> dict[str, float]:
    """Milliseconds a site, for 1, 10, … sites one after the other, figures in."""
    case = case_of(load_sites(ROOT / "deploy" / "sites")["skerrow-head"])
    figures_of(*case)
    found, count = {}, 1
    while count <= most:
        begun = time.thread_time()
        for _ in range(count):
            figures_of(*case)
        found[str(count)] = round(1e3 * (time.thread_time() - begun) / count, 4)
        count *= 10
    return found


def filled(folder: Path, count: int) -> tuple[dict[str, Site], SqliteStore]:
    """Copies of Skerrow Head with what their devices sent: a day of readings, sixteen of roll-ups."""
    base = load_sites(ROOT / "deploy" / "sites")["skerrow-head"]
    # Each at a place of its own, so that nothing of one sun serves another.
    sites = {
        f"site-{place}": base.model_copy(update={"id": f"site-{place}", "longitude": base.longitude - place / 100})
        for place in range(count)
    }
    store, rng = SqliteStore(folder / "readings.db"), np.random.default_rng(1)
    hours = np.arange(NOW_MS - NOW_MS % HOUR_MS - 17 * DAY_MS, NOW_MS - NOW_MS % HOUR_MS - DAY_MS, HOUR_MS).tolist()
    times = np.arange(NOW_MS - DAY_MS - DAY_MS // 24, NOW_MS, 5 * MINUTE_MS).tolist()
    for site in sites:
        total = np.cumsum(rng.exponential(1.5, len(hours)) * (rng.random(len(hours)) < 0.08)).tolist()
        rolled = [Rollup(hour, 12, mm, mm, mm, mm, mm) for hour, mm in zip(hours, total, strict=True)]
        store.adopt(site, "post-1/rain-total", rolled)
        level = (1.0 + 0.004 * rng.normal(size=len(times))).tolist()
        store.write(
            [
                Reading(site, at, f"post-1/{name}", value)
                for at, metre in zip(times, level, strict=True)
                for name, value in (("level", metre), ("rain-total", total[-1]), ("battery", 12.7))
            ]
        )
    store.roll_up(NOW_MS)
    return sites, store


def season() -> RainRecord:
    rng = np.random.default_rng(2)
    rain = rng.exponential(1.2, 10 * 8766) * (rng.random(10 * 8766) < 0.08)
    return RainRecord(from_rfc3339("2015-01-01T00:00:00Z"), rain, "made up")


def worker(count: int) -> dict[str, float]:
    """Sites a second of a round, reading and writing SQLite, after a first round; by the clock and by the core."""
    with tempfile.TemporaryDirectory() as folder:
        sites, store = filled(Path(folder), count)
        records, record = Records(f"sqlite:///{folder}/records.db"), season()
        now = [NOW_MS]
        rounds = Worker(sites, store, records, dict.fromkeys(sites, record), lambda: now[0])
        lacking = rounds.round()
        taken = []
        for _ in range(3):
            now[0] += MINUTE_MS
            begun, used = time.perf_counter(), time.process_time()
            lacking += rounds.round()
            taken.append((time.perf_counter() - begun, time.process_time() - used))
        store.close()
        records.close()
    if lacking:
        raise RuntimeError(f"no fresh forecast of {lacking}")
    clock_s, core_s = min(taken)
    return {"sites": count, "sites_per_s": round(count / clock_s), "sites_per_core_s": round(count / core_s)}


def cold_start_s() -> float:
    """A process from nothing to its first recorded forecast, the kernel's compiled form at hand. [s]"""
    with tempfile.TemporaryDirectory() as folder:
        _, store = filled(Path(folder), 1)
        store.close()
        code = (
            "from pathlib import Path; import sys\n"
            "from ingest.sitefile import load_sites; from ingest.store.sqlite import SqliteStore\n"
            "from ingest.store.records import Records; from forecast.worker import Worker\n"
            "folder = sys.argv[1]; base = load_sites(Path('deploy/sites'))['skerrow-head']\n"
            "site = base.model_copy(update={'id': 'site-0'})\n"
            "records = Records(f'sqlite:///{folder}/records.db')\n"
            "store = SqliteStore(Path(folder) / 'readings.db', writer=False)\n"
            f"assert not Worker({{'site-0': site}}, store, records, {{}}, lambda: {NOW_MS}).round()\n"
        )
        return round(_run_s(code, folder), 2)


def cold_imports_s() -> float:
    """What of it is Python's own: a process that only imports the same. [s]"""
    return round(_run_s("import forecast.predict, forecast.worker, ingest.sitefile, ingest.store.sqlite"), 2)


def _run_s(code: str, *arguments: str) -> float:
    begun = time.perf_counter()
    subprocess.run([sys.executable, "-c", code, *arguments], check=True, cwd=ROOT)
    return time.perf_counter() - begun


def measure(*, times: int, batch: int, most: int, worker_sites: int) -> dict[str, Any]:
    """All figures."""
    return {
        "kernel": kernel(times, batch),
        "ms_a_site_by_number_of_sites": linear(most),
        "worker": worker(worker_sites),
        "cold_start_s": cold_start_s(),
        "cold_imports_s": cold_imports_s(),
    }


def main() -> None:
    parser = argparse.ArgumentParser(description="Measure how fast forecasts are.")
    parser.add_argument("--sites", type=int, default=10_000, help="most sites one after the other")
    parser.add_argument("--worker-sites", type=int, default=200, help="sites of the worker")
    parser.add_argument("--json", action="store_true", help="print JSON")
    options = parser.parse_args()
    figures = measure(times=1_000, batch=100, most=options.sites, worker_sites=options.worker_sites)
    if options.json:
        print(json.dumps(figures, indent=2))
        return
    for name, values in figures["kernel"].items():
        for what, value in values.items():
            print(f"{name:16}{what:32}{value:>14,}")
    for count, cost in figures["ms_a_site_by_number_of_sites"].items():
        print(f"{'ms a site':16}{count + ' sites':32}{cost:>14,}")
    for what, value in figures["worker"].items():
        print(f"{'worker':16}{what:32}{value:>14,}")
    print(f"{'cold start':16}{'seconds':32}{figures['cold_start_s']:>14,}")


if __name__ == "__main__":
    main()
