"""A track record in figures and in sentences."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest

from forecast.track import FEWEST, TrackRecord, track_record
from forecast.track_sayings import track_sayings
from forecast.verify import MEAN_RAIN, NO_RAIN, RUNS_OUT, UNCHANGED, EventScore, TankScore, Verdict
from ingest.instants import DAY_MS
from ingest.store.records import LogEntry
from ingest.store.scores import NO_TRUTH, SCORED, ScoreRow

START_MS = 1_795_600_000_000


def row(place: int, verdict: Verdict | None, lead_d: int = 3) -> ScoreRow:
    issued_ms = START_MS + place * DAY_MS // 4
    state = SCORED if verdict else NO_TRUTH
    return ScoreRow("skerrow-head", issued_ms, lead_d, state, 0, msgspec.json.encode(verdict) if verdict else b"")


def verdict(*, held_90: bool = True, crps_l: float = 20.0, chance: float = 0.1, happened: bool = False) -> Verdict:
    errors = {UNCHANGED: 40.0, NO_RAIN: 80.0}
    tank = TankScore("main", 2000.0, crps_l, False, held_90, errors)
    return Verdict([tank], [EventScore(RUNS_OUT, chance, happened, {UNCHANGED: False})])


def record(rows: list[ScoreRow], log: list[LogEntry] | None = None) -> TrackRecord:
    return track_record(rows, log or [], START_MS, START_MS + 90 * DAY_MS, START_MS + 90 * DAY_MS)


def spoken(found: TrackRecord) -> str:
    return " ".join(
        saying.text.format(**{k: f.value for k, f in saying.figures.items()}) for saying in track_sayings(found)
    )


def test_shares_and_ratios_are_those_of_the_cases() -> None:
    found = record([row(place, verdict(held_90=place % 4 > 0, crps_l=10.0 + place)) for place in range(8)])
    (level,) = found.levels
    assert (level.lead_d, level.cases, level.held_90, level.held_50) == (3, 8, 0.75, 0.0)
    assert level.crps_l == 13.5
    assert level.ratio == {UNCHANGED: 0.338, NO_RAIN: 0.169, MEAN_RAIN: None}


def test_chances_are_held_against_what_came() -> None:
    rng = np.random.default_rng(6)
    rows = [row(place, verdict(chance=0.25, happened=bool(rng.random() < 0.25))) for place in range(400)]
    found = record(rows)
    (event,) = found.events
    assert event.brier == pytest.approx(0.1875, abs=0.02)
    # Saying "never" is wrong as often as it happens.
    assert event.ratio[UNCHANGED] == pytest.approx(event.brier / (event.happened / 400), abs=0.002)
    (tenth,) = found.reliability[RUNS_OUT]
    assert (tenth.cases, tenth.said) == (400, 0.25)
    assert tenth.came == pytest.approx(0.25, abs=0.05)


def test_too_few_are_too_few_to_say() -> None:
    few = record([row(place, verdict()) for place in range(FEWEST - 1)])
    assert f"{FEWEST - 1}.0 of the {FEWEST}.0" in spoken(few)
    assert "held the level" not in spoken(few)
    enough = record([row(place, verdict()) for place in range(FEWEST)])
    assert "held the level" in spoken(enough)
    assert "Too few" not in spoken(enough)


def test_the_sentences_have_the_figures() -> None:
    rows = [row(place, verdict(held_90=place >= 4, happened=place == 7)) for place in range(40)]
    said = spoken(record([*rows, row(41, None), row(42, None, lead_d=7)]))
    assert said.startswith("Of the last 40.0 forecasts that could be judged, 36.0 held the level of 3.0 later")
    assert "Their error was 0.5 of that of taking the level to stay as it is." in said
    assert "season's mean rain" not in said, "that reference said nothing"
    assert "Rain water ran out within 3.0 of 1.0 of 40.0 forecasts." in said
    assert "Left out because the level that came was not heard: 2.0 judgements." in said


def test_no_forecast_at_all() -> None:
    found = record([])
    assert (found.scored, found.levels, found.events, found.reliability[RUNS_OUT]) == (0, [], [], [])
    assert "0.0 of the" in spoken(found)


def test_a_verdict_of_another_version_is_counted_and_left_out() -> None:
    odd = row(1, verdict())._replace(document=b'{"tanks": 3}')
    found = record([odd, row(2, verdict())])
    assert (found.unreadable, found.scored) == (1, 1)
