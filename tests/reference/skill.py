"""The forecast's skill and honesty on real rain: the pooled table over seven records, beside what is wanted.

A made-up house stands under each record: a roof of 60 m², a tank that holds twenty days of use,
and a use of a third of what the roof yields in the mean, so that it runs dry in dry seasons only.

    .venv/bin/python -m tests.reference.skill [--short] [--json] [--streams 1] [--share 0.33] [--out DIR]

Truth and members are drawn by chance, so another stream of it gives other figures. With several streams
the tables are those of the first, and what is wanted is held against the mean of all; the boosted
quantiles, slow to learn, are those of the first alone.
"""

from __future__ import annotations

import argparse
import itertools
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np
from rich.console import Console

from api.commands.backtest import print_skill
from forecast.backtest import MEAN_RAIN, NAIVE, OWN, Way, backtest
from forecast.cases import LEADS_D, Cases
from forecast.outlook.record import RainRecord
from forecast.rivals import BOOSTED, boosted
from forecast.skill import EMPTY, LEVEL, OVERFLOW, Skill, skill, write
from ingest.site import Site
from ingest.sitefile import parse_site
from tests.reference.ideal_outlook import ideal
from tests.reference.rain_records import all_records

ROOF_M2: Final = 60.0
STORE_D: Final = 20
COEFFICIENT: Final = 0.85
SHARE: Final = 1 / 3
IDEAL: Final = "ideal outlook"
#: Days between two issues, and members, of the whole table and of the short form.
WHOLE: Final = (5, 100)
SHORT: Final = (40, 50)
#: A tenth of the chances with fewer cases than this says nothing.
FEWEST_IN_TENTH: Final = 100


class Wanted(NamedTuple):
    """What is wanted of a figure, between the bounds, and what was seen: the mean of the streams, and their sd."""

    what: str
    low: float
    high: float
    seen: float
    sd: float | None = None

    @property
    def reached(self) -> bool:
        return self.low <= self.seen <= self.high


def house(record: RainRecord, share: float = SHARE) -> Site:
    """The made-up house under a record."""
    yield_l_day = float(np.nanmean(record.rain_mm)) * 24 * ROOF_M2 * COEFFICIENT
    use_l_day = round(share * yield_l_day, 1)
    return parse_site(
        {
            "id": "house", "name": "A house under a record", "latitude": 50, "longitude": 8, "timezone": "UTC",
            "roof": [{"id": "r", "plan_area_m2": ROOF_M2, "runoff_coefficient": COEFFICIENT, "wetting_loss_mm": 0.4,
                      "tank": "t"}],
            "tank": [{"id": "t", "shape": "rectangular", "length_m": 1.0, "width_m": 1.0, "outlet_height_m": 0.0,
                      "overflow_height_m": STORE_D * use_l_day / 1000}],
            "draw": [{"id": "d", "tank": "t", "feed": "gravity", "litres_per_day": use_l_day}],
            "sensor": [{"device": "p", "name": "level", "measures": "tank.t.level"},
                       {"device": "p", "name": "use", "measures": "draw.d.total"}],
        },
        "test",
    )  # fmt: skip


def all_cases(
    records: list[RainRecord], every_d: int, members: int, *, share: float = SHARE, rival: bool = True, seed: int = 1
) -> list[Cases]:
    """A backtest of every record, with the ideal outlook and the boosted quantiles beside ours. seed  of its chance"""
    ways: Mapping[str, Way] = {**OWN, IDEAL: Way(ideal)}
    parts = []
    for record in records:
        cases = backtest(house(record, share), record, every_d=every_d, members=members, seed=seed, ways=ways)
        learnt = boosted(cases) if rival else None
        parts.append(cases.adding(BOOSTED, learnt) if learnt else cases)
    return parts


def wanted(tables: Skill, rival: bool = True) -> list[Wanted]:
    """Every figure that is wanted, beside what was seen."""
    day = {lead: LEVEL[lead] for lead in LEADS_D}
    most = [
        (day[3], NAIVE, 0.70), (day[7], NAIVE, 0.50), (day[14], NAIVE, 0.40), (EMPTY, NAIVE, 0.35),
        (day[3], MEAN_RAIN, 0.62), (EMPTY, MEAN_RAIN, 0.75), (OVERFLOW, MEAN_RAIN, 0.65),
    ]  # fmt: skip
    if rival:
        most += [(day[lead], BOOSTED, 0.999) for lead in LEADS_D]
    rows = [Wanted(f"{what}: ours over {way}", 0.0, high, tables.ratio(what, way)) for what, way, high in most]
    better = 1 / tables.ratio(day[3], IDEAL)
    rows.append(Wanted(f"{day[3]}: ideal outlook over ours", 0.0, 0.70, round(better, 3)))
    for held in tables.held:
        rows.append(Wanted(f"90 % band, day {held.lead_d}", 0.87, 0.94, held.held_90))
        rows.append(Wanted(f"50 % band, day {held.lead_d}", 0.45, 0.55, held.held_50))
    rows += [
        Wanted(
            f"chances {tenth.low:.1f} to {tenth.high:.1f}, came less said",
            -0.07,
            0.07,
            round(tenth.came - tenth.said, 3),
        )
        for tenth in tables.reliability
        if tenth.cases >= FEWEST_IN_TENTH
    ]
    return rows


def over_streams(streams: Sequence[Sequence[Wanted]]) -> list[Wanted]:
    """The rows of several streams as one: their mean, and the standard deviation between them."""
    by_what: dict[str, list[Wanted]] = {}
    for row in itertools.chain(*streams):
        by_what.setdefault(row.what, []).append(row)
    found = []
    for rows in by_what.values():
        seen = [row.seen for row in rows]
        sd = round(float(np.std(seen, ddof=1)), 4) if len(seen) > 1 else None
        found.append(rows[0]._replace(seen=round(float(np.mean(seen)), 4), sd=sd))
    return found


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description="Skill and honesty of the forecast on real rain.")
    parser.add_argument("--short", action="store_true", help="issues every 40 days instead of 5, 50 members")
    parser.add_argument("--json", action="store_true", help="print JSON")
    parser.add_argument("--streams", type=int, default=1, help="streams of chance")
    parser.add_argument("--share", type=float, default=SHARE, help="use, as a share of the roof's mean yield")
    parser.add_argument("--out", type=Path, help="folder for backtest.json and backtest.csv")
    options = parser.parse_args()
    every_d, members = SHORT if options.short else WHOLE
    parts = all_cases(all_records(), every_d, members, share=options.share)
    tables = skill(parts)
    streams = [wanted(tables)]
    for seed in range(2, options.streams + 1):
        more = all_cases(all_records(), every_d, members, share=options.share, rival=False, seed=seed)
        streams.append(wanted(skill(more), rival=False))
    rows = over_streams(streams)
    if options.out:
        write(parts, tables, options.out)
    if options.json:
        print(json.dumps({**tables.document(), "wanted": [{**row._asdict(), "reached": row.reached} for row in rows]}))
        return
    console = Console(width=110, highlight=False)
    for cases in parts:
        alone = skill([cases])
        ratios = "  ".join(f"{what} {alone.ratio(what, NAIVE):.2f}" for what in (*LEVEL.values(), EMPTY, OVERFLOW))
        console.print(f"{cases.record:12}{len(cases.year):5} forecasts; ours over naive: {ratios}")
    print_skill(tables, console)
    for row in rows:
        apart = "" if row.sd is None else f" ± {row.sd:.3f}"
        missed = "" if row.reached else "  NOT REACHED"
        console.print(f"{row.what:48} wanted {row.low:5.2f} to {row.high:4.2f}  seen {row.seen:6.3f}{apart}{missed}")


if __name__ == "__main__":
    main()
