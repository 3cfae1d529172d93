"""The account against a truth that is not its own balance: ten random sites, a year each, by the simulator's minutes.

Each site is played clean and with each planted fault: a roof that lost 20 % of its coefficient, a first
flush stuck open for eight months, a leak of 2 L/h, a gutter blocked for three weeks, a level sensor that
drifts by 3 cm. How near do yield and spill come, and is the planted cause the first or second named?

    .venv/bin/python -m tests.reference.account_truth [--json] [--sites 10] [--first 0]
"""

from __future__ import annotations

import argparse
import json
import tempfile
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np

from forecast.account.account import account
from forecast.account.named import netted
from forecast.account.result import Account
from ingest.site import Site
from tests.reference.account_sites import CAUSES, DAYS, SITES, Happened, played

#: Parts that a clean site has no reason for. Rain and what ran over are true causes there, too.
FALSE_CAUSES: Final = ("coefficient", "gutter", "first-flush", "leak", "missing", "unexplained")
#: A tank that hardly ran over is judged in litres: a share of the inflow.
LITTLE_SPILT: Final = 0.02


class Case(NamedTuple):
    """One site and one planted cause.

    yield_off, spill_off  account over truth, less 1; spill_off of the inflow where hardly anything ran over
    rank        place of the planted cause among those named; 0: not named
    spells      of rain that the roof was learnt from; coefficient_off, loss_off_mm  by how much it was not
    largest_false_share  the largest part of the yield, of either sign, that has no true cause (of clean sites)
    parts_off   how far the parts are from the shortfall, as a share of the designed yield
    """

    site: str
    planted: str
    meters: str
    yield_off: float
    spill_off: float
    rank: int
    named: str
    largest_false: str
    largest_false_share: float
    spells: int
    coefficient_off: float
    loss_off_mm: float
    parts_off: float


def case_of(site: Site, found: Account, truth: Happened, cause: str) -> Case:
    """The marks of one account."""
    whole = found.whole
    promised_l = whole.designed_yield_l
    little = truth.spilled_l < LITTLE_SPILT * truth.inflow_l
    names = [one.cause for one in whole.named]
    false = {part.cause: part.litres / promised_l for part in netted(whole.parts) if part.cause in FALSE_CAUSES}
    worst = max(false, key=lambda name: abs(false[name]))
    true_coefficient = site.roof[0].runoff_coefficient * (0.8 if cause == "coefficient" else 1.0)
    return Case(
        site.id,
        cause,
        "+".join(sensor.name for sensor in site.sensor if sensor.name in ("inflow", "draw")) or "none",
        round(whole.actual_yield_l / truth.drawn_l - 1, 4),
        round((whole.actual.spilled_l - truth.spilled_l) / (truth.inflow_l if little else truth.spilled_l), 4),
        names.index(cause) + 1 if cause in names else 0,
        " ".join(names),
        worst if cause == "clean" else "",
        round(false[worst], 4) if cause == "clean" else 0.0,
        found.roofs[0].events,
        round(found.roofs[0].coefficient - true_coefficient, 3),
        round(found.roofs[0].loss_mm - site.roof[0].wetting_loss_mm, 2),
        round(abs(sum(part.litres for part in whole.parts) - whole.shortfall_l) / promised_l, 6),
    )


class Verdict(NamedTuple):
    """All cases of one planted cause. named: how many were named first or second; clean sites have none."""

    planted: str
    cases: int
    named: int
    worst_yield_off: float
    worst_spill_off: float
    largest_false_share: float
    worst_coefficient_off: float
    worst_loss_off_mm: float
    worst_parts_off: float


def verdicts(cases: list[Case]) -> list[Verdict]:
    """By planted cause."""
    found = []
    for cause in CAUSES:
        of = [case for case in cases if case.planted == cause]
        if of:
            worst = [
                float(max(np.abs([getattr(case, name) for case in of])))
                for name in (
                    "yield_off",
                    "spill_off",
                    "largest_false_share",
                    "coefficient_off",
                    "loss_off_mm",
                    "parts_off",
                )
            ]
            found.append(Verdict(cause, len(of), sum(case.rank in (1, 2) for case in of), *worst))
    return found


def run(sites: int = SITES, causes: tuple[str, ...] = CAUSES, days: int = DAYS, first: int = 0) -> list[Case]:
    """Play every site, from the `first` number on, with every cause."""
    cases = []
    for number in range(first, first + sites):
        for cause in causes:
            with tempfile.TemporaryDirectory() as folder:
                site, measured, truth = played(number, cause, Path(folder), days)
            cases.append(case_of(site, account(site, measured), truth, cause))
    return cases


def main() -> None:
    """Print every case and the verdicts."""
    parser = argparse.ArgumentParser(description="The account with the simulator as truth.")
    parser.add_argument("--json", action="store_true", help="print JSON")
    parser.add_argument("--sites", type=int, default=SITES, help="random sites, a year each")
    parser.add_argument(
        "--first", type=int, default=0, help="number of the first; those from 10 on were never tuned on"
    )
    options = parser.parse_args()
    cases = run(options.sites, first=options.first)
    found = verdicts(cases)
    if options.json:
        print(json.dumps({"cases": [c._asdict() for c in cases], "verdicts": [v._asdict() for v in found]}, indent=2))
        return
    for columns in [row._asdict() for row in cases] + [row._asdict() for row in found]:
        print("  ".join(f"{name} {value}" for name, value in columns.items()))


if __name__ == "__main__":
    main()
