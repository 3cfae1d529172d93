"""A site's own track record: how good its forecasts were, in figures. Pure but for `record_of`.

Forecasts of neighbouring days share their weather, so a number of cases says less than as many
independent ones would.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Final, NamedTuple, TypeVar

import msgspec
import numpy as np

from forecast.cases import LEADS_D
from forecast.score import Tenth, brier, reliability
from forecast.verify import OVERFLOWS, RUNS_OUT, WAYS, EventScore, TankScore, UntilScore, Verdict
from ingest.instants import DAY_MS
from ingest.store.records import LogEntry, Records
from ingest.store.scores import DUE, NO_TRUTH, SCORED, ScoreRow, Scores

#: How far back a track record reaches. [d]
TRACK_DAYS: Final = 90
#: With fewer cases than this nothing is said of them: five days' worth.
FEWEST: Final = 20
#: So long before the first forecast the log is looked through for a backup that was opened.
LOG_MS: Final = 366 * DAY_MS
#: What somebody did that no forecast can know.
BROUGHT: Final = ("tank-filled", "tank-drained")
OPENED, CLOSED = "backup-opened", "backup-closed"


Score = TypeVar("Score")


class LevelRecord(NamedTuple):
    """All tanks at one lead: cases, shares within the bands, CRPS [L], and that over each reference's."""

    lead_d: int
    cases: int
    held_50: float
    held_90: float
    crps_l: float
    ratio: dict[str, float | None]


class EventRecord(NamedTuple):
    """Chances of one thing by one lead: cases, how many came true, Brier score, and that over each reference's."""

    what: str
    lead_d: int
    cases: int
    happened: int
    brier: float
    ratio: dict[str, float | None]


class UntilRecord(NamedTuple):
    """How long until one thing: cases, how many saw it, CRPS [d], and that over each reference's."""

    what: str
    cases: int
    happened: int
    crps_d: float
    ratio: dict[str, float | None]


class TrackRecord(NamedTuple):
    """How good a site's forecasts of `[start_ms, end_ms)` were.

    scored      forecasts and leads that count below
    waiting     whose truth is not due yet; no_truth whose truth never came; disturbed by somebody's hand;
    unreadable  of another version
    reliability chances by tenths, by thing, of all leads
    """

    start_ms: int
    end_ms: int
    scored: int
    waiting: int
    no_truth: int
    disturbed: int
    unreadable: int
    levels: list[LevelRecord]
    events: list[EventRecord]
    until: list[UntilRecord]
    reliability: dict[str, list[Tenth]]


def record_of(records: Records, site: str, start_ms: int, end_ms: int, now_ms: int) -> TrackRecord:
    """A site's record of forecasts issued in `[start_ms, end_ms)`, from the records. Raises StoreUnavailable."""
    rows = Scores(records).of(site, start_ms, end_ms)
    # A backup may have been opened long before, and what was issued is judged by what came later.
    return track_record(rows, records.log(site, start_ms - LOG_MS, now_ms + 1), start_ms, end_ms, now_ms)


def track_record(
    rows: Sequence[ScoreRow], log: Sequence[LogEntry], start_ms: int, end_ms: int, now_ms: int
) -> TrackRecord:
    """The record of one site.

    rows  of the forecasts issued in `[start_ms, end_ms)`
    log   what was done on site, from before the first of them on: a truth that somebody changed is nobody's fault
    """
    stretches = disturbances(log, now_ms)
    untouched = [row for row in rows if not _touched(row, stretches)]
    judged = [(row.lead_d, verdict) for row in untouched if (verdict := _verdict(row)) is not None]
    waiting, no_truth = (sum(row.state == state for row in untouched) for state in (DUE, NO_TRUTH))
    return TrackRecord(
        start_ms,
        end_ms,
        len(judged),
        waiting,
        no_truth,
        len(rows) - len(untouched),
        len(untouched) - len(judged) - waiting - no_truth,
        *_tables(judged),
    )


def _verdict(row: ScoreRow) -> Verdict | None:
    """What was said of a forecast; None: nothing yet, or in the form of another version."""
    if row.state != SCORED:
        return None
    try:
        return msgspec.json.decode(row.document, type=Verdict)
    except msgspec.MsgspecError:
        return None


def disturbances(log: Sequence[LogEntry], now_ms: int) -> list[tuple[int, int]]:
    """Stretches `[start, end]` in which somebody changed what a forecast could not know. [UTC ms]"""
    found, opened_ms = [], None
    for entry in sorted(log, key=lambda entry: entry.time_ms):
        if entry.kind in BROUGHT:
            found.append((entry.time_ms, entry.time_ms))
        elif entry.kind == OPENED and opened_ms is None:
            opened_ms = entry.time_ms
        elif entry.kind == CLOSED and opened_ms is not None:
            found.append((opened_ms, entry.time_ms))
            opened_ms = None
    return found if opened_ms is None else [*found, (opened_ms, max(opened_ms, now_ms))]


def _touched(row: ScoreRow, stretches: Iterable[tuple[int, int]]) -> bool:
    end_ms = row.issued_ms + row.lead_d * DAY_MS
    return any(begin_ms <= end_ms and row.issued_ms <= until_ms for begin_ms, until_ms in stretches)


def _tables(
    judged: Sequence[tuple[int, Verdict]],
) -> tuple[list[LevelRecord], list[EventRecord], list[UntilRecord], dict[str, list[Tenth]]]:
    tanks = [(lead, tank) for lead, verdict in judged for tank in verdict.tanks]
    events = [(lead, event) for lead, verdict in judged for event in verdict.events]
    until = [score for _, verdict in judged for score in verdict.until]
    return (
        [_level(lead_d, cases) for lead_d in LEADS_D if (cases := [tank for lead, tank in tanks if lead == lead_d])],
        [
            _event(what, lead_d, some)
            for what in (RUNS_OUT, OVERFLOWS)
            for lead_d in LEADS_D
            if (some := [event for lead, event in events if (lead, event.what) == (lead_d, what)])
        ],
        [
            _until(what, scores)
            for what in (RUNS_OUT, OVERFLOWS)
            if (scores := [score for score in until if score.what == what])
        ],
        {what: _tenths([event for _, event in events if event.what == what]) for what in (RUNS_OUT, OVERFLOWS)},
    )


def _tenths(events: list[EventScore]) -> list[Tenth]:
    return reliability([event.chance for event in events], [event.happened for event in events])


def _level(lead_d: int, tanks: list[TankScore]) -> LevelRecord:
    ratio = {
        way: _ratio(tanks, way, lambda tank: tank.crps_l, lambda tank, by: tank.references.get(by)) for way in WAYS
    }
    return LevelRecord(
        lead_d,
        len(tanks),
        _mean(tank.held_50 for tank in tanks),
        _mean(tank.held_90 for tank in tanks),
        round(_mean(tank.crps_l for tank in tanks), 2),
        ratio,
    )


def _event(what: str, lead_d: int, events: list[EventScore]) -> EventRecord:
    def ours(event: EventScore) -> float:
        return float(brier(event.chance, event.happened))

    def theirs(event: EventScore, way: str) -> float | None:
        return None if way not in event.references else float(event.references[way] != event.happened)

    ratio = {way: _ratio(events, way, ours, theirs) for way in WAYS}
    happened = sum(event.happened for event in events)
    return EventRecord(what, lead_d, len(events), happened, round(_mean(map(ours, events)), 4), ratio)


def _until(what: str, scores: list[UntilScore]) -> UntilRecord:
    ratio = {
        way: _ratio(scores, way, lambda score: score.crps_d, lambda score, by: score.references.get(by)) for way in WAYS
    }
    happened = sum(score.came_d is not None for score in scores)
    return UntilRecord(what, len(scores), happened, round(_mean(score.crps_d for score in scores), 3), ratio)


def _ratio(
    scores: list[Score], way: str, ours: Callable[[Score], float], theirs: Callable[[Score, str], float | None]
) -> float | None:
    """Our mean error over a reference's, where it said anything; None: it did not, or made no error to divide by."""
    pairs = [(ours(score), said) for score in scores if (said := theirs(score, way)) is not None]
    total = sum(said for _, said in pairs)
    return round(sum(own for own, _ in pairs) / total, 3) if total > 0 else None


def _mean(values: Iterable[float]) -> float:
    return round(float(np.mean(list(values))), 4)
