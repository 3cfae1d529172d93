"""The tables of a backtest: how good each way of forecasting was, and whether ours means what it says."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np
import pandas as pd

from forecast.backtest import OURS
from forecast.cases import HORIZON_D, LEADS_D, Cases, Floats
from forecast.model.passage import quantiles
from forecast.result import LEVELS
from forecast.score import Tenth, Truths, coverage, crps, crps_until, interval_score, rank_share, reliability
from ingest.instants import to_rfc3339

EMPTY: Final = "days until empty"
OVERFLOW: Final = "days until overflow"
LEVEL: Final = {lead: f"level, day {lead}" for lead in LEADS_D}


class Score(NamedTuple):
    """Mean CRPS of one way of forecasting, and ours over it. Levels in % of capacity, times in days."""

    what: str
    way: str
    crps: float
    ratio: float


class Held(NamedTuple):
    """How often our bands held the level. `held`: by the rank of what came among the members.

    with_ends  the share of bands that held it with their ends: more, where tanks are empty or full
    score_90   interval score of the 90 % band [% of capacity]
    """

    lead_d: int
    held_50: float
    held_90: float
    with_ends_50: float
    with_ends_90: float
    score_90: float


class Skill(NamedTuple):
    """All tables over one or several records; of several, each weighs alike in the scores.

    reliability  P(empty by day d), d = 1 to 16, of issues at which no tank was empty yet
    already      P(empty at the issue itself), of all issues
    """

    records: list[str]
    issues: int
    scores: list[Score]
    held: list[Held]
    reliability: list[Tenth]
    already: list[Tenth]

    def ratio(self, what: str, way: str) -> float:
        """Our mean CRPS over another way's."""
        return next(score.ratio for score in self.scores if (score.what, score.way) == (what, way))

    def document(self) -> dict[str, object]:
        """As plain data for JSON."""
        return {
            "records": self.records,
            "issues": self.issues,
            "scores": [score._asdict() for score in self.scores],
            "coverage": [held._asdict() for held in self.held],
            "reliability": [tenth._asdict() for tenth in self.reliability],
            "already": [tenth._asdict() for tenth in self.already],
        }


def skill(parts: Sequence[Cases], ours: str = OURS) -> Skill:
    """The tables of one record's cases, or of several pooled. ours: the way that is held against the others"""
    found: dict[tuple[str, str], list[float]] = {}
    over: dict[tuple[str, str], list[float]] = {}
    for cases in parts:
        means = {key: float(scores.mean()) for key, scores in crps_of(cases).items()}
        for (what, way), mean in means.items():
            found.setdefault((what, way), []).append(mean)
            over.setdefault((what, way), []).append(means[what, ours])
    # A way that is missing in a record, for want of data, is compared over the others.
    table = [
        Score(what, way, round(float(np.mean(theirs)), 4), round(_over(over[what, way], theirs), 3))
        for (what, way), theirs in found.items()
    ]
    return Skill(
        [cases.record for cases in parts],
        sum(len(cases.year) for cases in parts),
        table,
        _held(parts, ours),
        *_reliability(parts, ours),
    )


def crps_of(cases: Cases) -> dict[tuple[str, str], Floats]:
    """CRPS of each issue by what was forecast, and by which way; levels in % of capacity. (N,)"""
    found: dict[tuple[str, str], Floats] = {}
    percent = 100.0 / cases.capacity_l
    for place, lead in enumerate(LEADS_D):
        for way, said in cases.said.items():
            came = cases.came.volume_l[:, place, 0]
            found[LEVEL[lead], way] = crps(said.volume_l[:, place], came) * percent
    for what, name in ((EMPTY, "runs_out_d"), (OVERFLOW, "overflows_d")):
        for way, said in cases.said.items():
            if (days := getattr(said, name)) is not None:
                found[what, way] = crps_until(days, getattr(cases.came, name)[:, 0], HORIZON_D)
    return found


def write(parts: Sequence[Cases], tables: Skill, folder: Path) -> None:
    """`backtest.json` with the tables and `backtest.csv` with a row for each issue and lead."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "backtest.json").write_text(json.dumps(tables.document(), indent=2) + "\n", encoding="utf-8")
    pd.concat([_rows(cases) for cases in parts]).to_csv(folder / "backtest.csv", index=False, float_format="%.3f")


def _rows(cases: Cases) -> pd.DataFrame:
    scores = crps_of(cases)
    bands = quantiles(cases.said[OURS].volume_l)
    frames = []
    for place, lead in enumerate(LEADS_D):
        columns = {
            "record": cases.record,
            "issued": [to_rfc3339(int(issued_ms)) for issued_ms in cases.issued_ms],
            "lead_d": lead,
            "volume_l": cases.came.volume_l[:, place, 0],
            **{f"p{round(100 * level):02d}_l": band[:, place] for level, band in zip(LEVELS, bands, strict=True)},
            **{
                f"crps_{way.replace(',', '').replace(' ', '_')}_percent": scores[LEVEL[lead], way] for way in cases.said
            },
        }
        frames.append(pd.DataFrame(columns))
    return pd.concat(frames)


def _held(parts: Sequence[Cases], ours: str) -> list[Held]:
    rng = np.random.default_rng(0)
    rows = []
    for place, lead in enumerate(LEADS_D):
        members = [cases.said[ours].volume_l[:, place] / cases.capacity_l * 100 for cases in parts]
        came = [cases.came.volume_l[:, place, 0] / cases.capacity_l * 100 for cases in parts]
        rank = np.concatenate([rank_share(m, c, rng.random(len(c))) for m, c in zip(members, came, strict=True)])
        p05, p25, _, p75, p95 = np.concatenate([quantiles(values) for values in members], axis=1)
        level = np.concatenate(came)
        rows.append(
            Held(
                lead,
                round(coverage(0.25, 0.75, rank), 3),
                round(coverage(0.05, 0.95, rank), 3),
                round(coverage(p25, p75, level), 3),
                round(coverage(p05, p95, level), 3),
                round(float(interval_score(p05, p95, level, 0.1).mean()), 2),
            )
        )
    return rows


def _over(ours: list[float], theirs: list[float]) -> float:
    return sum(ours) / sum(theirs) if sum(theirs) > 0 else float("nan")


def _reliability(parts: Sequence[Cases], ours: str) -> tuple[list[Tenth], list[Tenth]]:
    """Chances of being empty by a day where no tank was yet, and of being empty at the issue."""
    ahead: list[tuple[Floats, Truths]] = []
    already: list[tuple[Floats, Truths]] = []
    for cases in parts:
        said, truth = cases.said[ours].runs_out_d, cases.came.runs_out_d
        if said is None or truth is None:
            continue
        wet = ~cases.empty_now
        ahead += [((said[wet] <= day).mean(axis=1), truth[wet, 0] <= day) for day in range(1, HORIZON_D + 1)]
        already.append(((said <= 0).mean(axis=1), truth[:, 0] <= 0))
    return _tenths(ahead), _tenths(already)


def _tenths(cases: list[tuple[Floats, Truths]]) -> list[Tenth]:
    chances, came = (np.concatenate(values) for values in zip(*cases, strict=True))
    return [
        Tenth(tenth.low, tenth.high, tenth.cases, round(tenth.said, 3), round(tenth.came, 3))
        for tenth in reliability(chances, came)
    ]
