"""Our own outlook document: read, written, and refused with every problem and its place."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecast.outlook import file as outlook_file
from forecast.outlook.ensemble import Outlook
from forecast.outlook.file import parse_document, read_document, write_document
from forecast.outlook.resample import to_outlook
from ingest.errors import OutlookDocumentError, OutlookUnavailable
from ingest.instants import HOUR_MS, from_rfc3339

START_MS = from_rfc3339("2026-11-30T12:00:00Z")


def document() -> dict[str, Any]:
    return {
        "issued": "2026-11-30T09:00:00Z",
        "source": "the warden of Skerrow Head",
        "intervals": [
            {"start": "2026-11-30T12:00:00Z", "end": "2026-11-30T18:00:00Z", "rain_mm": [3.0, 0.0, None],
             "temperature_c": [6.0, 5.0, None]},
            {"start": "2026-11-30T14:00:00+01:00", "end": "2026-11-30T14:00:00Z", "rain_mm": [2.0, 0, None]},
            {"start": "2026-11-30T18:00:00Z", "end": "2026-12-01T00:00:00Z", "rain_mm": [0, 6, 1.5],
             "radiation_w_m2": [0, 0, 0]},
        ],
    }  # fmt: skip


def problems_of(written: object) -> list[str]:
    with pytest.raises(OutlookDocumentError) as caught:
        parse_document(json.dumps(written).encode())
    return [str(problem) for problem in caught.value.problems]


def test_a_document_is_read_with_its_overlaps_and_unknowns() -> None:
    outlook = to_outlook(parse_document(json.dumps(document()).encode()))
    assert (outlook.source, outlook.issued_ms) == ("the warden of Skerrow Head", START_MS - 3 * HOUR_MS)
    np.testing.assert_allclose(outlook.rain_mm[:, 0], [0.2, 2.0, 0.2, 0.2, 0.2, 0.2, *[0.0] * 6])
    np.testing.assert_allclose(outlook.rain_mm[:, 2], [*[np.nan] * 6, *[0.25] * 6])
    assert outlook.temperature_c is not None
    assert outlook.radiation_w_m2 is not None
    np.testing.assert_allclose(outlook.temperature_c[:, 1], [*[5.0] * 6, *[np.nan] * 6])
    np.testing.assert_allclose(outlook.radiation_w_m2[:, 1], [*[np.nan] * 6, *[0.0] * 6])


def test_every_problem_is_listed_with_its_place() -> None:
    wrong = document()
    wrong["issued"] = "this morning"
    wrong["source"] = " "
    wrong["intervals"][0]["rain_mm"] = [3.0, -1.0, None]
    wrong["intervals"][0]["temperature_c"] = [6.0]
    wrong["intervals"][1]["end"] = "2026-11-30T12:00:00Z"
    wrong["intervals"][2]["start"] = "2026-11-30T18:00:00"
    wrong["intervals"].append({"start": "2026-11-30T18:00:00Z", "end": "2026-12-01T00:00:00Z", "rain_mm": ["much"]})
    wrong["intervals"].append({"start": "2026-11-30T18:00:00Z", "end": "2026-12-01T00:00:00Z", "rain": [1.0]})
    wrong["intervals"].append({"start": "2026-12-01T00:00:00Z", "end": "2026-12-02T00:00:00Z", "rain_mm": [0.0]})
    found = problems_of(wrong)
    places = [problem.split(" = ")[0] for problem in found]
    assert places == [
        "$.issued", "$.source", "$.intervals[0].rain_mm[1]", "$.intervals[1].end", "$.intervals[2].start",
        "$.intervals[3].rain_mm[0]", "$.intervals[4]", "$.intervals[0].temperature_c", "$.intervals[5].rain_mm",
    ]  # fmt: skip
    assert "0 mm or more, or null where not known" in found[2]
    assert "a time after its start" in found[3]
    assert "3 members, like the first interval" in found[-1]


@pytest.mark.parametrize(
    ("written", "place", "said"),
    [
        ([], "$", "object"),
        ({**document(), "note": 1}, "$", "note"),
        ({**document(), "intervals": []}, "$.intervals", "1 to 4000"),
        ({**document(), "issued": 12}, "$.issued", "str"),
        ({**document(), "valid_until": "soon"}, "$.valid_until", "2026-03-01T12:00:00Z"),
        ({"issued": "2026-11-30T09:00:00Z", "source": "x"}, "$", "intervals"),
    ],
)
def test_another_shape_is_refused(written: object, place: str, said: str) -> None:
    (problem,) = problems_of(written)
    assert problem.startswith(f"{place} = ")
    assert said in problem


@pytest.mark.parametrize(
    ("rain", "said"), [("901", "is the unit mm"), ("1e999", "out of range"), ("NaN", "invalid"),
                       ("true", "float"), ('"3"', "float")],
)  # fmt: skip
def test_numbers_that_are_none_are_refused(rain: str, said: str) -> None:
    body = json.dumps(document()).replace("[3.0, 0.0, null]", f"[{rain}, 0.0, null]", 1)
    if rain == "901":
        body = body.replace("2026-11-30T18:00:00Z", "2026-11-30T13:00:00Z", 1)
    with pytest.raises(OutlookDocumentError, match=said):
        parse_document(body.encode())


def test_too_much_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    many = document()
    many["intervals"][0]["rain_mm"] = [0.0] * 501
    assert any("501 members" in problem for problem in problems_of(many))
    long = document()
    long["intervals"][0]["end"] = "2036-11-30T18:00:00Z"
    assert any("spans" in problem for problem in problems_of(long))
    monkeypatch.setattr(outlook_file, "MOST_BYTES", 100)
    assert any("at most 100 bytes" in problem for problem in problems_of(document()))


def test_no_file_is_no_outlook(tmp_path: Path) -> None:
    with pytest.raises(OutlookUnavailable, match="No such file"):
        read_document(tmp_path / "outlook.json")
    (tmp_path / "outlook.json").write_text(json.dumps(document()))
    assert read_document(tmp_path / "outlook.json").source == "the warden of Skerrow Head"
    (tmp_path / "outlook.json").write_bytes(b"\xff\xfe")
    with pytest.raises(OutlookDocumentError, match=r"outlook\.json: \$"):
        read_document(tmp_path / "outlook.json")


amounts = st.lists(
    st.lists(st.one_of(st.none(), st.floats(0, 300)), min_size=3, max_size=3), min_size=1, max_size=40
).filter(lambda rows: any(value is not None for row in rows for value in row))


@given(amounts, st.booleans())
def test_what_is_written_is_read_the_same(rows: list[list[float | None]], with_air: bool) -> None:
    rain = np.array(rows, dtype=np.float64)
    known = np.flatnonzero(~np.isnan(rain).all(axis=1))
    outlook = Outlook(
        rain, START_MS, "round trip", START_MS - HOUR_MS,
        temperature_c=np.minimum(rain, 50.0) if with_air else None, valid_until_ms=START_MS + HOUR_MS,
    )  # fmt: skip
    again = to_outlook(parse_document(write_document(outlook)))
    span = slice(known[0], known[-1] + 1)
    assert again.start_ms == START_MS + int(known[0]) * HOUR_MS
    np.testing.assert_array_equal(again.rain_mm, rain[span])
    assert (again.issued_ms, again.valid_until_ms) == (outlook.issued_ms, outlook.valid_until_ms)
    assert (again.temperature_c is not None) == with_air
    if again.temperature_c is not None:
        np.testing.assert_allclose(again.temperature_c, np.minimum(rain, 50.0)[span], rtol=1e-12)


def test_a_climatology_has_no_issue_and_is_not_written() -> None:
    with pytest.raises(ValueError, match="no age"):
        write_document(Outlook(np.zeros((2, 2)), START_MS, "the season"))
