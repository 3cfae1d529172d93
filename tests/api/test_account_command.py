"""`ullage account`: what it prints, in text and JSON, for both example sites; and errors in a line."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from api.cli import app
from ingest.instants import DAY_MS, from_rfc3339
from ingest.sitefile import load_site
from ingest.store.sqlite import SqliteStore
from simulator.plant import Plant
from simulator.sensors import Sensors
from simulator.weather import hourly_record, invented_weather, write_record
from tests.conftest import SITES

START, DAYS = "2026-03-01", 40


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Forty days of both example sites in one store, and a rain record for the one without a gauge."""
    folder = tmp_path_factory.mktemp("kept")
    start_ms = from_rfc3339(f"{START}T00:00:00Z")
    store = SqliteStore(folder / "readings.db")
    for name in ("skerrow-head", "tarn-orchard"):
        site = load_site(SITES / f"{name}.toml")
        readings = Sensors(site, 5).read(Plant(site, 5).run(invented_weather(site, start_ms, DAYS * 1440, 5)))
        for first in range(0, len(readings), 20_000):
            store.write(readings[first : first + 20_000])
        write_record(folder / f"{name}.csv", hourly_record(site, start_ms, DAYS * 24, 5))
    store.roll_up(start_ms + (DAYS + 1) * DAY_MS)
    store.close()
    return folder


def account(site: str, *arguments: object, kept: Path) -> str:
    given = [str(SITES / f"{site}.toml"), "--data", str(kept), "--from", START, "--to", "2026-04-10"]
    done = CliRunner().invoke(app, ["account", *given, *map(str, arguments)], env={"COLUMNS": "160"})
    assert done.exit_code == 0, done.output
    return done.output


def test_both_example_sites_give_their_account(kept: Path) -> None:
    said = account("skerrow-head", kept=kept)
    assert re.match(r"skerrow-head: [\d,]+ L of rain water drawn, give or take [\d,]+ L; for the same hours", said)
    for words in ("2026-03", "2026-04", "Leak or unmetered", "Unexplained", "More than promised", "Roof bunkhouse"):
        assert words in said
    # Every sum of this one came out above the promise.
    assert "Shortfall" not in said
    assert re.search(r"That is 1\d\d L more than promised\.", said)
    assert re.search(r"\b1\d\d more\b", said)
    assert not re.search(r"-0(\.0)?\b(?!\.)", said)
    # Whoever relies on a yield reads what it is not good for.
    for caution in ("not for drinking", "does not wash out the slope", "trained and licensed"):
        assert caution in said
    without = account("tarn-orchard", kept=kept)
    assert "No rain was measured" in without
    with_record = account("tarn-orchard", "--rain", kept / "tarn-orchard.csv", kept=kept)
    assert "No rain was measured" not in with_record
    assert "hand-basin" in with_record


def test_a_year_asked_of_forty_days_begins_with_the_first_reading(kept: Path) -> None:
    given = [str(SITES / "skerrow-head.toml"), "--data", str(kept), "--from", "2025-04-10", "--to", "2026-04-10"]
    said = CliRunner().invoke(app, ["account", *given], env={"COLUMNS": "160"}).output
    assert "From 1 March 2026 until 10 April 2026" in said
    assert "Nothing was measured from 10 April 2025 until 1 March 2026: these 7,801 of 8,760 hours are left" in said
    assert "2026-02" not in said
    whole = json.loads(CliRunner().invoke(app, ["account", *given, "--json"]).output)["whole"]
    fair = json.loads(account("skerrow-head", "--json", kept=kept))["whole"]
    assert whole["designed_yield_l"] == pytest.approx(fair["designed_yield_l"], rel=0.01)
    # Exported months are the same.
    done = CliRunner().invoke(app, ["export", given[0], "account", *given[1:]])
    assert [line.split(",")[1] for line in done.output.splitlines()[1:]] == ["2026-03", "2026-04"]


def test_the_account_in_json_adds_up(kept: Path) -> None:
    found = json.loads(account("skerrow-head", "--json", kept=kept))
    whole = found["whole"]
    assert sum(part["litres"] for part in whole["parts"]) == pytest.approx(whole["shortfall_l"], abs=0.01)
    assert whole["told_h"] > 950
    assert [month["name"] for month in found["months"]] == ["2026-03", "2026-04"]


def test_what_if_in_text_and_json(kept: Path) -> None:
    change = ("--what-if", "tank.main.overflow_height_m=2.4", "--what-if", "draw.taps.litres_per_day=90.0")
    said = account("skerrow-head", *change, kept=kept)
    assert "tank.main.overflow_height_m=2.4, draw.taps.litres_per_day=90.0" in said
    assert "licensed" in said
    found = json.loads(account("skerrow-head", *change, "--json", kept=kept))
    assert found["changed"]["spilled_l"] <= found["as_it_is"]["spilled_l"]


@pytest.mark.parametrize(
    ("arguments", "complaint"),
    [
        (("--from", "yesterday"), "--from yesterday: expected a day such as 2026-01-01"),
        (("--from", "2026-05-01", "--to", "2026-04-01"), "at least an hour before --to"),
        (("--what-if", "tank.mian.overflow_height_m=2"), "there is no mian; there is main"),
    ],
)
def test_what_cannot_be_is_told_in_a_line(kept: Path, arguments: tuple[str, ...], complaint: str) -> None:
    site = str(SITES / "skerrow-head.toml")
    done = CliRunner().invoke(app, ["account", site, "--data", str(kept), *arguments])
    assert done.exit_code != 0
    assert complaint in str(done.exception)


def export(what: str, *arguments: object, kept: Path) -> str:
    given = [str(SITES / "skerrow-head.toml"), what, "--data", str(kept), "--from", START, "--to", "2026-04-10"]
    done = CliRunner().invoke(app, ["export", *given, *map(str, arguments)])
    assert done.exit_code == 0, done.output
    return done.output


def test_an_export_that_broke_off_is_taken_up_where_it_did(kept: Path, tmp_path: Path) -> None:
    file = tmp_path / "hourly.csv"
    export("hourly", "--out", file, kept=kept)
    whole = file.read_bytes()
    assert whole.count(b"\r\n") > 5_000
    for broken in (len(whole) // 2, len(whole) - 1, 20, 0):
        file.write_bytes(whole[:broken])
        export("hourly", "--out", file, "--resume", kept=kept)
        assert file.read_bytes() == whole
    export("hourly", "--out", file, "--resume", kept=kept)
    assert file.read_bytes() == whole


def test_exports_in_other_forms(kept: Path, tmp_path: Path) -> None:
    assert export("account", kept=kept).splitlines()[1].startswith("skerrow-head,2026-03,2026-03-01T00:00:00Z")
    file = tmp_path / "account.parquet"
    export("account", "--form", "parquet", "--out", file, kept=kept)
    assert file.read_bytes()[:4] == b"PAR1"
    done = CliRunner().invoke(app, ["export", str(SITES / "skerrow-head.toml"), "hourly", "--resume"])
    assert "expected a CSV file in --out" in str(done.exception)
