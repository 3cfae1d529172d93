"""Tables to take away: columns that stay, units, CSV that a spreadsheet opens, Parquet, cursors, flat memory."""

from __future__ import annotations

import csv
import io
import re
import sys
import tracemalloc
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path

import pandas as pd
import pytest

from forecast.account.account import account
from forecast.account.columns import COLUMNS, KEYS, units
from forecast.account.frames import account_frame, hourly_frame, reading_frame
from forecast.account.rows import Row, account_rows, cursor_of, forecast_rows, hourly_rows, reading_rows
from forecast.account.writing import csv_pieces, parquet_pieces, safe
from forecast.facts import Facts, LevelNow
from forecast.outlook.monthly import monthly_outlook
from forecast.predict import predict, timeline
from ingest.errors import SettingsError
from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS, from_rfc3339
from ingest.reading import STUCK, Reading
from ingest.site import Site
from ingest.store.sqlite import SqliteStore
from tests.reference.account_sites import START_MS, played

import msgspec  # isort: skip
import numpy as np  # isort: skip

DEVELOPERS = (Path(__file__).parent.parent.parent.parent / "DEVELOPERS.md").read_text()
START = from_rfc3339("2026-03-01T00:00:00Z")


@pytest.fixture
def store(tmp_path: Path, skerrow_head: Site) -> Iterator[SqliteStore]:
    """Two days of level and battery, one reading of them suspect."""
    kept = SqliteStore(tmp_path / "readings.db")
    kept.write([
        Reading(skerrow_head.id, START + minute * MINUTE_MS, f"post-1/{name}", value, STUCK if minute == 60 else 0)
        for minute in range(0, 2 * 24 * 60, 5)
        for name, value in (("level", 1.0 + minute / 10_000), ("battery", 12.6))
    ])  # fmt: skip
    yield kept
    kept.close()


def text_of(table: str, rows: Iterator[Row]) -> str:
    return b"".join(csv_pieces(table, rows)).decode()


def test_readings_as_csv_are_read_by_csv_and_by_pandas(skerrow_head: Site, store: SqliteStore) -> None:
    text = text_of("readings", reading_rows(skerrow_head, store, START, START + DAY_MS))
    rows = list(csv.reader(io.StringIO(text, newline="")))
    assert rows[0] == [column.name for column in COLUMNS["readings"]]
    assert rows[1] == ["skerrow-head", "post-1/level", "2026-03-01T00:00:00Z", "tank.main.level", "m", "1.0", "0"]
    assert len(rows) == 1 + 2 * 288
    assert text.count("\r\n") == len(rows)
    frame = pd.read_csv(io.StringIO(text), parse_dates=["time"])
    assert str(frame["time"].dtype).endswith("UTC]")
    # A suspect reading is exported with its flag, not left out.
    assert frame.loc[frame["flags"] == STUCK, "sensor"].tolist() == ["post-1/level", "post-1/battery"]


def test_hours_say_what_their_readings_were(skerrow_head: Site, store: SqliteStore) -> None:
    frame = hourly_frame(skerrow_head, store, START, START + DAY_MS, ["post-1/level"])
    assert len(frame) == 24
    first = frame.iloc[0]
    assert (first["readings"], first["min"], first["max"]) == (12, 1.0, pytest.approx(1.0055))
    assert frame.attrs == {"table": "hourly", "units": units("hourly")}
    assert str(frame["time"].dtype).startswith("datetime64")
    every = reading_frame(skerrow_head, store, START, START + HOUR_MS)
    assert len(every) == 24


def test_the_account_by_month_adds_up(tmp_path: Path) -> None:
    site, measured, _ = played(3, "clean", tmp_path, 45)
    frame = account_frame(site, measured)
    assert frame["month"].tolist() == ["2025-01", "2025-02"]
    parts = [name for name in frame.columns if name.startswith("by_")]
    assert len(parts) == 9
    assert frame[parts].sum(axis=1).to_numpy() == pytest.approx(frame["shortfall_l"].to_numpy(), abs=0.02)
    assert frame.attrs["units"]["designed_yield_l"] == "L"
    later = list(account_rows(account(site, measured), after="2025-01"))
    assert [row[1] for row in later] == ["2025-02"]
    assert frame["start"].iloc[0] == pd.Timestamp(START_MS, unit="ms", tz="UTC")


def document(site: Site, now_ms: int) -> bytes:
    facts = Facts(now_ms, {"main": LevelNow(now_ms, 1.0, 2_000.0, 8.0)}, now_ms - DAY_MS, np.zeros(25), now_ms)
    outlook = monthly_outlook([60.0] * 12, *timeline(facts), 20, np.random.default_rng(1))
    return msgspec.json.encode(predict(site, facts, outlook, np.random.default_rng(2)))


def test_forecasts_come_by_day_ahead_and_go_on_after_any_row(skerrow_head: Site) -> None:
    kept = {START + day * DAY_MS: document(skerrow_head, START + day * DAY_MS) for day in range(3)}

    def forecasts(site: str, start_ms: int, end_ms: int) -> list[bytes]:
        assert site == skerrow_head.id
        return [one for issued_ms, one in kept.items() if start_ms <= issued_ms < end_ms]

    whole = list(forecast_rows(skerrow_head, forecasts, START, START + 3 * DAY_MS))
    assert len(whole) == 3 * 16
    assert whole[0][:5] == ("skerrow-head", "2026-03-01T00:00:00Z", "main", 24, "2026-03-02T00:00:00Z")
    for place in (0, 15, 16, 47):
        after = cursor_of("forecasts", whole[place])
        assert list(forecast_rows(skerrow_head, forecasts, START, START + 3 * DAY_MS, after)) == whole[place + 1 :]


@pytest.mark.parametrize("table", ["readings", "hourly"])
def test_the_key_of_any_row_is_a_cursor(skerrow_head: Site, store: SqliteStore, table: str) -> None:
    make = reading_rows if table == "readings" else hourly_rows
    whole = list(make(skerrow_head, store, START, START + DAY_MS))
    for place in (0, len(whole) // 2 - 1, len(whole) // 2, len(whole) - 1):
        after = cursor_of(table, whole[place])
        assert list(make(skerrow_head, store, START, START + DAY_MS, (), after)) == whole[place + 1 :]


@pytest.mark.parametrize("cursor", ["post-1/level", "post-1/level,yesterday", "nobody,2026-03-01T00:00:00Z"])
def test_a_cursor_that_is_none_is_refused(skerrow_head: Site, store: SqliteStore, cursor: str) -> None:
    with pytest.raises(SettingsError, match="cursor"):
        list(reading_rows(skerrow_head, store, START, START + DAY_MS, (), cursor))
    with pytest.raises(SettingsError, match="sensor nobody"):
        list(reading_rows(skerrow_head, store, START, START + DAY_MS, ["nobody"]))


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@sum", "\tx", "\rx"])
def test_no_text_is_taken_for_a_formula(text: str) -> None:
    assert safe(text) == f"'{text}"
    rows = iter([(text, "s", "2026-03-01T00:00:00Z", "m", "m", -1.5, 0)])
    (row,) = list(csv.reader(io.StringIO(text_of("readings", rows), newline="")))[1:]
    assert row[0] == f"'{text}"
    # A number below zero is a number.
    assert row[5] == "-1.5"


def test_parquet_carries_units_and_the_same_rows(skerrow_head: Site, store: SqliteStore, tmp_path: Path) -> None:
    parquet = import_module("pyarrow.parquet")
    file = tmp_path / "hourly.parquet"
    file.write_bytes(b"".join(parquet_pieces("hourly", hourly_rows(skerrow_head, store, START, START + DAY_MS))))
    found = parquet.read_table(file)
    assert found.schema.names == [column.name for column in COLUMNS["hourly"]]
    assert found.schema.field("mean").metadata == {b"unit": b"that of the row", b"meaning": b"mean of them"}
    ours = hourly_frame(skerrow_head, store, START, START + DAY_MS)
    theirs = pd.read_parquet(file)
    assert theirs["mean"].tolist() == ours["mean"].tolist()
    assert theirs["time"].tolist() == ours["time"].tolist()


def test_without_pyarrow_parquet_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(SettingsError, match="extra `parquet`"):
        list(parquet_pieces("hourly", iter(())))


def test_memory_stays_flat_however_many_rows_there_are() -> None:
    def peak(count: int) -> int:
        rows = (("s", "a/b", "2026-03-01T00:00:00Z", "m", "m", float(number), 0) for number in range(count))
        tracemalloc.start()
        for piece in csv_pieces("readings", rows):
            assert piece
        found = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return found

    # The interpreter keeps some freed tuples for the next ones, and counts them: let it have them first.
    peak(4_000)
    assert peak(40_000) < 1.3 * peak(4_000)


def documented() -> dict[str, list[str]]:
    """Table → columns with their units, from DEVELOPERS.md."""
    part = DEVELOPERS.split("### Columns of the exports")[1].split("\n#")[0]
    return {
        table: re.findall(r"`(\w+)`", columns)
        for table, columns in re.findall(r"^\| `(\w+)` \| (.*?) \|$", part, re.MULTILINE)
    }


def test_the_columns_are_those_that_are_documented() -> None:
    assert documented() == {table: [column.name for column in columns] for table, columns in COLUMNS.items()}


ENDINGS = {"_l": "L", "_mm": "mm", "_m": "m", "_h": "h"}


def test_a_columns_ending_is_its_unit() -> None:
    for columns in COLUMNS.values():
        for column in columns:
            ending = next(
                (unit for end, unit in sorted(ENDINGS.items(), reverse=True) if column.name.endswith(end)), None
            )
            if ending is not None:
                assert column.unit == ending, column.name
    assert set(KEYS) == set(COLUMNS)
