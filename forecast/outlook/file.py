"""Our own outlook document: anybody who can write JSON can give an outlook.

    {"issued": "2026-03-01T06:00:00Z", "source": "hand-made",
     "intervals": [{"start": "2026-03-01T06:00:00Z", "end": "2026-03-01T12:00:00Z",
                    "rain_mm": [0.4, 0.0, null], "temperature_c": [6.1, 5.8, null]}]}

`rain_mm` holds the amount of the interval for each member, `temperature_c` and `radiation_w_m2`
(both may be left out) its means; null is not known. `valid_until` may be added. Intervals may
differ in length and may overlap: the finer one wins.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final

import msgspec
import numpy as np

from forecast.outlook.delivery import UNREADABLE, Delivery, Intervals, check_delivery
from forecast.outlook.ensemble import Floats, Outlook
from ingest.errors import OutlookDocumentError, OutlookUnavailable, Problem
from ingest.instants import HOUR_MS, from_rfc3339, to_rfc3339

#: The largest document that is read. [bytes], intervals, members, and the most problems that are listed
MOST_BYTES: Final = 8_000_000
MOST_INTERVALS: Final = 4_000
MOST_MEMBERS: Final = 500
MOST_PROBLEMS: Final = 50

_EXPECTED: Final = re.compile(r"Expected (?P<expected>.+), got (?P<got>.+)")

Numbers = list[float | None]


class _Interval(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    start: str
    end: str
    rain_mm: Numbers
    temperature_c: Numbers | None = None
    radiation_w_m2: Numbers | None = None


class _Document(msgspec.Struct, forbid_unknown_fields=True, omit_defaults=True):
    issued: str
    source: str
    intervals: list[msgspec.Raw]
    valid_until: str | None = None


class _Written(msgspec.Struct, omit_defaults=True):
    issued: str
    source: str
    intervals: list[_Interval]
    valid_until: str | None = None


def parse_document(body: bytes, name: str = "outlook") -> Delivery:
    """Read a document. Raises OutlookDocumentError with every problem and its place.

    name  what the problems are listed under, such as the file's
    """
    if len(body) > MOST_BYTES:
        raise OutlookDocumentError(name, [Problem("$", f"{len(body)} bytes", f"at most {MOST_BYTES} bytes")])
    try:
        document = msgspec.json.decode(body, type=_Document)
    except UNREADABLE as error:
        raise OutlookDocumentError(name, [_problem("$", error)]) from error
    problems: list[Problem] = []
    issued_ms = _instant(document.issued, "$.issued", problems)
    until_ms = None if document.valid_until is None else _instant(document.valid_until, "$.valid_until", problems)
    if not document.source.strip() or len(document.source) > 200:
        problems.append(Problem("$.source", repr(document.source[:40]), "1 to 200 characters that say who gives it"))
    if not 1 <= len(document.intervals) <= MOST_INTERVALS:
        problems.append(Problem("$.intervals", f"{len(document.intervals)} of them", f"1 to {MOST_INTERVALS}"))
        raise OutlookDocumentError(name, problems)
    rows = [_interval(raw, f"$.intervals[{place}]", problems) for place, raw in enumerate(document.intervals)]
    _same_members(rows, problems)
    if problems:
        raise OutlookDocumentError(name, problems[:MOST_PROBLEMS])
    delivery = _delivery(document.source, issued_ms, until_ms, [row for row in rows if row is not None])
    try:
        check_delivery(delivery)
    except (ValueError, OverflowError) as error:
        raise OutlookDocumentError(name, [Problem("$.intervals", str(error), "weather")]) from error
    return delivery


def read_document(path: Path) -> Delivery:
    """Read a file. Raises OutlookDocumentError, or OutlookUnavailable when there is no readable file."""
    try:
        with path.open("rb") as file:
            body = file.read(MOST_BYTES + 1)
    except OSError as error:
        raise OutlookUnavailable(f"{path}: {error.strerror or error}") from error
    return parse_document(body, str(path))


def write_document(outlook: Outlook) -> bytes:
    """An outlook as a document, hour by hour; reading it gives the same hours and members.

    Hours of which nothing is known are left out. Raises ValueError on an outlook without an issue, or
    filled up with the season: only what one giver said can be written.
    """
    if outlook.issued_ms is None:
        raise ValueError("an outlook without an issue cannot be written: a climatology has no age")
    if not isinstance(outlook.source, str):
        raise ValueError("an outlook with the season in it cannot be written: it has two sources")  # noqa: TRY004
    rows = []
    for hour, rain in enumerate(outlook.rain_mm):
        if np.isnan(rain).all():
            continue
        start_ms = outlook.start_ms + hour * HOUR_MS
        rows.append(
            _Interval(
                to_rfc3339(start_ms),
                to_rfc3339(start_ms + HOUR_MS),
                _numbers(rain),
                None if outlook.temperature_c is None else _numbers(outlook.temperature_c[hour]),
                None if outlook.radiation_w_m2 is None else _numbers(outlook.radiation_w_m2[hour]),
            )
        )
    until = None if outlook.valid_until_ms is None else to_rfc3339(outlook.valid_until_ms)
    return msgspec.json.encode(_Written(to_rfc3339(outlook.issued_ms), outlook.source, rows, until))


def _numbers(values: Floats) -> Numbers:
    return [None if np.isnan(value) else float(value) for value in values]


def _problem(place: str, error: Exception) -> Problem:
    """A message of msgspec as a problem: it names the place within what it read, `$`."""
    said, _, at = str(error).partition(" - at `")
    where = place + at.rstrip("`").removeprefix("$")
    if found := _EXPECTED.fullmatch(said):
        return Problem(where, found["got"].strip("`"), found["expected"].strip("`"))
    return Problem(where, said.replace("`", ""), "JSON as the description of the document has it")


def _instant(text: str, place: str, problems: list[Problem]) -> int:
    try:
        return from_rfc3339(text)
    except (ValueError, OverflowError):
        problems.append(Problem(place, repr(text[:40]), "a time with its offset, such as 2026-03-01T12:00:00Z"))
        return 0


def _interval(raw: msgspec.Raw, place: str, problems: list[Problem]) -> tuple[int, int, _Interval] | None:
    try:
        given = msgspec.json.decode(raw, type=_Interval)
    except UNREADABLE as error:
        problems.append(_problem(place, error))
        return None
    before = len(problems)
    start_ms = _instant(given.start, f"{place}.start", problems)
    end_ms = _instant(given.end, f"{place}.end", problems)
    if len(problems) == before and end_ms <= start_ms:
        problems.append(Problem(f"{place}.end", given.end, f"a time after its start {given.start}"))
    problems += [
        Problem(f"{place}.rain_mm[{member}]", f"{amount:g}", "0 mm or more, or null where not known")
        for member, amount in enumerate(given.rain_mm)
        if amount is not None and amount < 0
    ]
    return start_ms, end_ms, given


def _same_members(rows: list[tuple[int, int, _Interval] | None], problems: list[Problem]) -> None:
    """Every list of values holds one for each member."""
    wanted = next((len(row[2].rain_mm) for row in rows if row is not None), 1)
    if not 1 <= wanted <= MOST_MEMBERS:
        problems.append(Problem("$.intervals[0].rain_mm", f"{wanted} members", f"1 to {MOST_MEMBERS}"))
        return
    for place, row in enumerate(rows):
        for key in ("rain_mm", "temperature_c", "radiation_w_m2"):
            values = None if row is None else getattr(row[2], key)
            if values is not None and len(values) != wanted:
                where = f"$.intervals[{place}].{key}"
                problems.append(Problem(where, f"{len(values)} members", f"{wanted} members, like the first interval"))


def _delivery(source: str, issued_ms: int, until_ms: int | None, rows: list[tuple[int, int, _Interval]]) -> Delivery:
    air = [row for row in rows if row[2].temperature_c is not None]
    sun = [row for row in rows if row[2].radiation_w_m2 is not None]
    return Delivery(
        rain=_column(rows, "rain_mm"),
        source=source,
        issued_ms=issued_ms,
        temperature=_column(air, "temperature_c") if air else None,
        radiation=_column(sun, "radiation_w_m2") if sun else None,
        valid_until_ms=until_ms,
    )


def _column(rows: list[tuple[int, int, _Interval]], key: str) -> Intervals:
    return Intervals(
        np.array([start_ms for start_ms, _, _ in rows], dtype=np.int64),
        np.array([end_ms for _, end_ms, _ in rows], dtype=np.int64),
        np.array([getattr(given, key) for _, _, given in rows], dtype=np.float64),
    )
