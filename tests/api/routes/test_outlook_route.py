from __future__ import annotations

from typing import Any

import msgspec
import pytest

from forecast.outlook.file import MOST_BYTES
from ingest.instants import HOUR_MS, from_rfc3339, to_rfc3339
from ingest.store.outlooks import GivenOutlooks
from ingest.store.records import Records
from tests.api.conftest import Client
from tests.api.fakes import NOW_MS, Clock

OUTLOOK = "/api/v1/sites/skerrow-head/outlook"
ISSUED_MS = NOW_MS - NOW_MS % HOUR_MS


def document(issued_ms: int = ISSUED_MS, **changes: Any) -> dict[str, Any]:
    rows = [
        {
            "start": to_rfc3339(ISSUED_MS + 6 * place * HOUR_MS),
            "end": to_rfc3339(ISSUED_MS + 6 * (place + 1) * HOUR_MS),
            "rain_mm": [0.4, 0.0, None],
        }
        for place in range(8)
    ]
    return {"issued": to_rfc3339(issued_ms), "source": "hand-made", "intervals": rows} | changes


def test_an_outlook_is_kept_and_read_back(client: Client, clock: Clock) -> None:
    assert client.get(OUTLOOK).status_code == 404
    answer = client.post(OUTLOOK, json=document())
    assert answer.status_code == 201
    expected = {
        "site": "skerrow-head",
        "issued": "2026-11-25T12:00:00Z",
        "received": "2026-11-25T12:04:00Z",
        "age_s": 240.0,
        "source": "hand-made",
        "start": "2026-11-25T12:00:00Z",
        "end": "2026-11-27T12:00:00Z",
        "intervals": 8,
        "members": 3,
    }
    assert answer.json() == expected
    clock.now_ms += HOUR_MS
    assert client.get(OUTLOOK).json() == expected | {"age_s": 3840.0}
    assert client.get(OUTLOOK.replace("skerrow-head", "tarn-orchard")).status_code == 404


def test_the_newest_outlook_stays(client: Client, records: Records) -> None:
    assert client.post(OUTLOOK, json=document()).status_code == 201
    assert client.post(OUTLOOK, json=document()).status_code == 200, "sent twice over a bad link"
    older = client.post(OUTLOOK, json=document(ISSUED_MS - HOUR_MS))
    assert (older.status_code, older.json()["type"]) == (409, "/problems/older-outlook")
    assert "2026-11-25T12:00:00Z" in older.json()["detail"]
    assert client.post(OUTLOOK, json=document(source="corrected by hand")).status_code == 201
    kept = GivenOutlooks(records).of("skerrow-head")
    assert kept is not None
    assert b"corrected by hand" in kept.document


def test_every_fault_of_a_document_is_named_by_its_row(client: Client, records: Records) -> None:
    wrong = document()
    wrong["intervals"][2]["rain_mm"][1] = -3.0
    wrong["intervals"][4]["end"] = "yesterday"
    wrong["intervals"][5]["rain_mm"] = [1.0]
    answer = client.post(OUTLOOK, json=wrong)
    assert answer.status_code == 422
    places = [fault["where"] for fault in answer.json()["errors"]]
    assert places == ["body.intervals[2].rain_mm[1]", "body.intervals[4].end", "body.intervals[5].rain_mm"]
    assert GivenOutlooks(records).of("skerrow-head") is None


@pytest.mark.parametrize(
    ("body", "status"),
    [
        (b"", 422),
        (b"[]", 422),
        (b'{"issued": NaN}', 422),
        (b"\xff\xfe", 422),
        (msgspec.json.encode(document(from_rfc3339("2026-11-25T12:10:00Z"))), 422),
        (b" " * (MOST_BYTES + 1), 413),
    ],
)
def test_what_is_no_outlook_is_refused(client: Client, records: Records, body: bytes, status: int) -> None:
    answer = client.post(OUTLOOK, content=body)
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"
    assert GivenOutlooks(records).of("skerrow-head") is None
