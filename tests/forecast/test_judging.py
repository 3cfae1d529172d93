"""From a recorded forecast and the levels that came to a verdict."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from forecast.judging import AGAIN_MS, LATEST_MS, SETTLE_MS, Judging
from forecast.model.geometry import geometry_of
from forecast.model.plan import plan_of
from forecast.result import Forecast, Reference, decode
from forecast.track import record_of
from forecast.truth import passed, stood
from forecast.verify import LEADS, MEAN_RAIN, NO_RAIN, OVERFLOWS, RUNS_OUT, UNCHANGED
from forecast.worker import Worker
from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS
from ingest.reading import Reading
from ingest.site import Site
from ingest.store.records import LogEntry, Records
from ingest.store.scores import DUE, NO_FORECAST, SCORED, Scores
from tests.api.fakes import NOW_MS, MemoryReadings, forecast_of, put, rising

HORIZON_MS = 16 * DAY_MS
START_MS = NOW_MS - NOW_MS % HOUR_MS


@pytest.fixture
def records(tmp_path: Path) -> Iterator[Records]:
    kept = Records(f"sqlite:///{tmp_path / 'records.db'}")
    yield kept
    kept.close()


@pytest.fixture
def store() -> MemoryReadings:
    return MemoryReadings()


def came(store: MemoryReadings, level_m: object, days: float = 17, *, leave_out: range = range(0)) -> None:
    """Levels every ten minutes from the hour of the issue on; `level_m` of the hours since, or one for all."""
    at = np.arange(START_MS, START_MS + days * DAY_MS, 10 * MINUTE_MS)
    hours = (at - START_MS) / HOUR_MS
    levels = level_m(hours) if callable(level_m) else np.full(len(at), float(level_m))  # type: ignore[arg-type]
    store.write(
        [
            Reading("skerrow-head", int(time_ms), "post-1/level", float(level))
            for time_ms, hour, level in zip(at, hours, levels, strict=True)
            if int(hour) not in leave_out
        ]
    )


def issued(records: Records, **changes: Any) -> Forecast:
    references = [
        Reference(NO_RAIN, {"main": [1900.0, 1600.0, 1000.0, 241.3]}, 12.0, None),
        Reference(MEAN_RAIN, {"main": [2100.0, 2000.0, 1800.0, 1500.0]}, None, None),
    ]
    forecast = forecast_of(issued_ms=NOW_MS, **({"references": references} | changes))
    put(records, forecast)
    return forecast


def judged(site: Site, store: MemoryReadings, records: Records, now_ms: int) -> Judging:
    judging = Judging({site.id: site}, store, records)
    judging.note([decode(document) for document in records.forecasts(site.id, 0, now_ms)])
    judging.go_on(now_ms)
    return judging


def test_a_forecast_is_judged_at_each_lead_when_its_day_has_come(
    skerrow_head: Site, store: MemoryReadings, records: Records
) -> None:
    forecast = issued(records)
    came(store, 1.0)
    judging = judged(skerrow_head, store, records, START_MS + 3 * DAY_MS + SETTLE_MS)
    rows = Scores(records).of("skerrow-head", 0, NOW_MS + 1)
    assert [(row.lead_d, row.state) for row in rows] == [
        (1, SCORED), (3, SCORED), (7, DUE), (14, DUE), (16, DUE),
    ]  # fmt: skip
    judging.go_on(START_MS + HORIZON_MS + SETTLE_MS)
    record = record_of(records, "skerrow-head", 0, NOW_MS + 1, NOW_MS + HORIZON_MS)
    assert (record.scored, record.waiting, record.no_truth, record.disturbed) == (len(LEADS), 0, 0, 0)
    volume_l = float(geometry_of(skerrow_head.tank[0]).volume_l(1.0))
    third = next(level for level in record.levels if level.lead_d == 3)
    assert third.ratio[UNCHANGED] == pytest.approx(third.crps_l / (2131.0 - volume_l), abs=0.002)
    assert third.ratio[MEAN_RAIN] == pytest.approx(third.crps_l / abs(2000.0 - volume_l), abs=0.1)
    low, high = forecast.tanks[0].volume_l.p05[71], forecast.tanks[0].volume_l.p95[71]
    assert third.held_90 == float(low <= volume_l <= high)


def test_each_forecast_and_lead_is_judged_once(skerrow_head: Site, store: MemoryReadings, records: Records) -> None:
    issued(records)
    came(store, 1.0)
    at_ms = START_MS + HORIZON_MS + SETTLE_MS
    judging = judged(skerrow_head, store, records, at_ms)
    before = Scores(records).of("skerrow-head", 0, NOW_MS + 1)
    assert judging.go_on(at_ms) == 0
    judged(skerrow_head, store, records, at_ms)
    assert Scores(records).of("skerrow-head", 0, NOW_MS + 1) == before


def test_running_out_is_dated_by_the_levels_and_held_against_the_chances(
    skerrow_head: Site, store: MemoryReadings, records: Records
) -> None:
    issued(records, runs_out=rising(2, 6))
    # From 1.06 m down to the outlet at 0.12 m in five days, and on it.
    came(store, lambda hours: np.maximum(0.12, 1.06 - 0.94 * hours / 120))
    judged(skerrow_head, store, records, START_MS + HORIZON_MS + SETTLE_MS)
    record = record_of(records, "skerrow-head", 0, NOW_MS + 1, NOW_MS + HORIZON_MS)
    events = {(event.what, event.lead_d): event for event in record.events}
    assert [events[RUNS_OUT, lead].happened for lead in (1, 3, 7, 14)] == [0, 0, 1, 1]
    # On day 3 the chance was a quarter: (3 − 2) / (6 − 2).
    assert events[RUNS_OUT, 3].brier == pytest.approx(0.25**2)
    assert events[RUNS_OUT, 7].ratio[UNCHANGED] == 0.0
    until = next(score for score in record.until if score.what == RUNS_OUT)
    assert until.happened == 1
    # Of taking it to last for ever: eleven days; of the water over its use: seven.
    assert until.ratio[UNCHANGED] == pytest.approx(until.crps_d / (16 - 4.95), abs=0.01)
    assert until.ratio[NO_RAIN] == pytest.approx(until.crps_d / (12 - 4.95), abs=0.01)
    assert [(tenth.cases, tenth.came) for tenth in record.reliability[RUNS_OUT]] == [(1, 0.0), (1, 0.0), (2, 1.0)]


def test_running_over_is_dated_by_the_levels(skerrow_head: Site, store: MemoryReadings) -> None:
    plan = plan_of(skerrow_head)
    came(store, lambda hours: np.minimum(1.80, 1.06 + 0.74 * hours / 48))
    found = passed(skerrow_head, plan, store, START_MS, 10 * 24)
    assert found is not None
    assert found.overflows_h == pytest.approx(47.5, abs=1)
    assert found.runs_out_h == np.inf


@pytest.mark.parametrize(("level_m", "what"), [(1.795, OVERFLOWS), (0.125, RUNS_OUT)])
def test_what_was_so_already_leaves_nothing_to_predict(
    skerrow_head: Site, store: MemoryReadings, records: Records, level_m: float, what: str
) -> None:
    issued(records)
    came(store, level_m)
    judged(skerrow_head, store, records, START_MS + HORIZON_MS + SETTLE_MS)
    record = record_of(records, "skerrow-head", 0, NOW_MS + 1, NOW_MS + HORIZON_MS)
    assert what not in {event.what for event in record.events}
    assert what not in {score.what for score in record.until}
    assert record.levels


def test_a_late_truth_is_waited_for_and_a_missing_one_is_counted(
    skerrow_head: Site, store: MemoryReadings, records: Records
) -> None:
    issued(records)
    day_ms = START_MS + DAY_MS
    judging = judged(skerrow_head, store, records, day_ms + SETTLE_MS)
    first = Scores(records).of("skerrow-head", 0, NOW_MS + 1)[0]
    assert (first.state, first.due_ms) == (DUE, day_ms + SETTLE_MS + AGAIN_MS)
    came(store, 1.0, 1.1)  # the backlog of a device that was cut off
    judging.go_on(day_ms + SETTLE_MS + AGAIN_MS)
    assert Scores(records).of("skerrow-head", 0, NOW_MS + 1)[0].state == SCORED
    judging.go_on(START_MS + 3 * DAY_MS + LATEST_MS)
    record = record_of(records, "skerrow-head", 0, NOW_MS + 1, NOW_MS + HORIZON_MS)
    assert (record.scored, record.no_truth, record.waiting) == (1, 1, 3)


def test_a_gap_tells_no_passage_but_the_level_after_it_counts(
    skerrow_head: Site, store: MemoryReadings, records: Records
) -> None:
    issued(records)
    came(store, 1.0, leave_out=range(24 + 2, 24 + 14))
    judged(skerrow_head, store, records, START_MS + 3 * DAY_MS + LATEST_MS)
    record = record_of(records, "skerrow-head", 0, NOW_MS + 1, NOW_MS + HORIZON_MS)
    assert {level.lead_d for level in record.levels} == {1, 3}
    assert {event.lead_d for event in record.events} == {1}


def test_the_truth_is_a_median_and_suspect_readings_are_none(skerrow_head: Site, store: MemoryReadings) -> None:
    at = [
        Reading("skerrow-head", NOW_MS + m * MINUTE_MS, "post-1/level", v) for m, v in ((-9, 1.0), (1, 1.01), (8, 1.7))
    ]
    store.write(at)
    found = stood(skerrow_head, skerrow_head.tank[0], store, NOW_MS)
    assert found is not None
    assert found.volume_l == pytest.approx(float(geometry_of(skerrow_head.tank[0]).volume_l(1.01)))
    # 4 mm over √3, times 1.25 for a median, on 2.01 m².
    assert found.sd_l == pytest.approx(5.8, abs=0.1)
    assert stood(skerrow_head, skerrow_head.tank[0], store, NOW_MS + DAY_MS) is None


@pytest.mark.parametrize(
    ("kinds", "disturbed"),
    [
        ([("tank-filled", 1.5)], 4),
        ([("tank-filled", 20.0)], 0),
        ([("backup-opened", -30.0)], 5),
        ([("backup-opened", -30.0), ("backup-closed", -20.0)], 0),
        ([("backup-opened", 8.0), ("backup-closed", 9.0)], 2),
        ([("first-flush-emptied", 2.0), ("note", 2.0)], 0),
    ],
)
def test_a_truth_that_somebody_changed_is_nobodys_fault(
    skerrow_head: Site, store: MemoryReadings, records: Records, kinds: list[tuple[str, float]], disturbed: int
) -> None:
    issued(records)
    came(store, 1.0)
    judged(skerrow_head, store, records, START_MS + HORIZON_MS + SETTLE_MS)
    for kind, day in kinds:  # written down afterwards, as people do
        records.append_log(LogEntry("skerrow-head", NOW_MS + round(day * DAY_MS), kind, "main", "warden"))
    record = record_of(records, "skerrow-head", 0, NOW_MS + 1, NOW_MS + 30 * DAY_MS)
    assert (record.disturbed, record.scored) == (disturbed, len(LEADS) - disturbed)


def test_a_forecast_of_another_version_is_named_so(skerrow_head: Site, store: MemoryReadings, records: Records) -> None:
    judging = Judging({"skerrow-head": skerrow_head}, store, records)
    judging.note([forecast_of(issued_ms=NOW_MS)])
    records.put_forecast("skerrow-head", NOW_MS, b'{"shape": "of tomorrow"}')
    came(store, 1.0)
    judging.go_on(START_MS + DAY_MS + SETTLE_MS)
    assert Scores(records).of("skerrow-head", 0, NOW_MS + 1)[0].state == NO_FORECAST
    assert record_of(records, "skerrow-head", 0, NOW_MS + 1, NOW_MS).unreadable == 1


def test_the_worker_notes_what_is_to_be_judged(skerrow_head: Site, store: MemoryReadings, records: Records) -> None:
    came(store, 1.0, 2)
    now = [START_MS + DAY_MS]
    judging = Judging({"skerrow-head": skerrow_head}, store, records)
    worker = Worker({"skerrow-head": skerrow_head}, store, records, {}, lambda: now[0], judging=judging)
    for _ in range(3):
        worker.round()
        now[0] += 10 * MINUTE_MS
    rows = Scores(records).of("skerrow-head", 0, now[0])
    assert [(row.issued_ms, row.lead_d) for row in rows] == [(START_MS + DAY_MS, lead) for lead in LEADS]
    references = {
        reference.way: reference for reference in decode(records.forecasts("skerrow-head", 0, now[0])[0]).references
    }
    dry, mean = references[NO_RAIN], references[MEAN_RAIN]
    assert all(
        without <= with_rain for without, with_rain in zip(dry.volume_l["main"], mean.volume_l["main"], strict=True)
    )
    # 70 L a day from the taps alone, in November, and no rain.
    assert dry.volume_l["main"][0] - dry.volume_l["main"][1] == pytest.approx(140, rel=0.05)
