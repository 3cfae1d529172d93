from __future__ import annotations

import msgspec

from forecast.verify import UNCHANGED, TankScore, Verdict
from ingest.instants import DAY_MS, HOUR_MS
from ingest.store.records import Records
from ingest.store.scores import DUE, SCORED, ScoreRow, Scores
from tests.api.conftest import Client
from tests.api.fakes import NOW_MS

TRACK = "/api/v1/sites/skerrow-head/track-record"


def test_a_new_site_has_no_record_and_says_so(client: Client) -> None:
    answer = client.get(TRACK)
    assert answer.status_code == 200
    found = answer.json()
    assert (found["scored"], found["levels"], found["until"]) == (0, [], [])
    assert found["sentences"][0].startswith("Too few forecasts can be judged yet")
    assert (found["end"], found["start"]) == ("2026-11-25T12:04:00.001Z", "2026-08-27T12:04:00.001Z")


def test_what_was_judged_is_shown(client: Client, records: Records) -> None:
    verdict = Verdict([TankScore("main", 2000.0, 12.0, True, True, {UNCHANGED: 48.0})])
    scores = Scores(records)
    for place in range(24):
        issued_ms = NOW_MS - 30 * DAY_MS + place * 6 * HOUR_MS
        row = ScoreRow("skerrow-head", issued_ms, 3, SCORED, 0, msgspec.json.encode(verdict))
        scores.open([row, row._replace(lead_d=7, state=DUE, document=b"")])
    found = client.get(TRACK).json()
    assert (found["scored"], found["waiting"]) == (24, 24)
    assert found["levels"] == [
        {
            "lead_d": 3,
            "cases": 24,
            "held_50": 1.0,
            "held_90": 1.0,
            "crps_l": 12.0,
            "ratio": {"unchanged": 0.25, "no_rain": None, "mean_rain": None},
        }
    ]
    assert "24 held the level of 3 days later" in found["sentences"][0]
    assert "25 %" in found["sentences"][1]
    none = client.get(f"{TRACK}?end=2026-01-01T00:00:00Z").json()
    assert none["scored"] == 0


def test_a_stretch_that_ends_before_it_begins_is_refused(client: Client) -> None:
    answer = client.get(f"{TRACK}?start=2026-02-01T00:00:00Z&end=2026-01-01T00:00:00Z")
    assert answer.status_code == 422
