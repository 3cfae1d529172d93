"""The account, what if and exports over the API: figures, streams, cursors, and what is refused."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from api.settings import Settings
from ingest.instants import DAY_MS, HOUR_MS, to_rfc3339
from ingest.site import Site
from tests.api.conftest import Client
from tests.api.fakes import NOW_MS, MemoryReadings
from tests.api.season import season

DAYS = 20
START = to_rfc3339(NOW_MS - DAYS * DAY_MS)
ACCOUNT = f"/api/v1/sites/skerrow-head/account?start={START}"
EXPORT = "/api/v1/sites/skerrow-head/export"


@pytest.fixture
def told(readings: MemoryReadings, skerrow_head: Site) -> MemoryReadings:
    """Twenty days of the observatory's devices."""
    readings.write(season(skerrow_head, DAYS))
    return readings


def test_the_account_adds_up(client: Client, told: MemoryReadings) -> None:
    found = client.get(ACCOUNT).json()
    whole = found["whole"]
    assert sum(part["litres"] for part in whole["parts"]) == pytest.approx(whole["shortfall_l"], abs=1e-6)
    assert whole["told_h"] > 400
    assert whole["parts"][0]["cause"] == "rain"
    assert {roof["roofs"] for roof in found["roofs"]} == {"bunkhouse", "ringing-hut"}
    assert any("not for drinking" in caution["text"] for caution in found["cautions"])


def test_what_if(client: Client, told: MemoryReadings) -> None:
    path = f"/api/v1/sites/skerrow-head/what-if?start={START}&change=tank.main.overflow_height_m%3D2.4"
    found = client.get(path).json()
    assert found["changed"]["spilled_l"] <= found["as_it_is"]["spilled_l"]
    wrong = client.get("/api/v1/sites/skerrow-head/what-if?change=tank.mian.low_l%3D2")
    assert wrong.status_code == 422
    assert "there is no mian; there is main" in wrong.json()["detail"]
    assert client.get("/api/v1/sites/skerrow-head/what-if").status_code == 422


@pytest.mark.parametrize("query", ["start=2026-11-24T00:00:00Z&end=2026-11-24T00:30:00Z", "start=2019-01-01T00:00:00Z"])
def test_a_span_that_makes_no_account_is_refused(client: Client, query: str) -> None:
    answer = client.get(f"/api/v1/sites/skerrow-head/account?{query}")
    assert answer.status_code == 422
    assert "query.start" in answer.json()["detail"]


@pytest.mark.parametrize("table", ["readings", "hourly", "account"])
def test_every_table_comes_as_csv_and_goes_on_after_a_row(client: Client, told: MemoryReadings, table: str) -> None:
    answer = client.get(f"{EXPORT}/{table}?start={START}")
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith("text/csv")
    assert answer.headers["content-disposition"] == f'attachment; filename="skerrow-head-{table}.csv"'
    rows = list(csv.DictReader(io.StringIO(answer.text, newline="")))
    key = {"account": ("month",)}.get(table, ("sensor", "time"))
    after = ",".join(rows[0][name] for name in key)
    rest = client.get(f"{EXPORT}/{table}", params={"start": START, "after": after}).text
    assert rest == answer.text.split("\r\n", 2)[2]


def test_forecasts_and_parquet(client: Client, told: MemoryReadings) -> None:
    empty = client.get(f"{EXPORT}/forecasts")
    assert empty.text.startswith("site,issued,tank,lead_h,time,level_p05_m")
    assert len(empty.text.splitlines()) == 1
    answer = client.get(f"{EXPORT}/hourly?form=parquet&start={START}&sensor=post-1/level")
    frame = pd.read_parquet(io.BytesIO(answer.content))
    assert set(frame["sensor"]) == {"post-1/level"}


@pytest.mark.parametrize("query", ["readings?after=nonsense", "hourly?sensor=nobody", "readings?form=xls"])
def test_an_export_that_cannot_be_is_refused_before_it_begins(client: Client, query: str) -> None:
    answer = client.get(f"{EXPORT}/{query}")
    assert answer.status_code == 422
    assert answer.headers["content-type"] == "application/problem+json"


def test_a_site_without_a_design_has_no_account(client: Client, skerrow_head: Site) -> None:
    client.app.state.service.sites["skerrow-head"] = skerrow_head.model_copy(update={"design": None})
    answer = client.get(ACCOUNT)
    assert answer.status_code == 404
    assert "[design]" in answer.json()["detail"]


def test_a_rain_record_tells_the_hours_without_a_gauge(client: Client, settings: Settings, tmp_path: Path) -> None:
    client.app.state.service = replace(client.app.state.service, settings=replace(settings, rain=tmp_path))
    path = f"/api/v1/sites/tarn-orchard/account?start={to_rfc3339(NOW_MS - 2 * DAY_MS)}"
    assert any("No rain was measured" in note["text"] for note in client.get(path).json()["notes"])
    hours = [to_rfc3339(NOW_MS // DAY_MS * DAY_MS - hour * HOUR_MS) for hour in range(-24, 96)]
    rows = "".join(f"{time},0.2\n" for time in sorted(hours))
    (tmp_path / "tarn-orchard.csv").write_text(f"time,rain_mm\n{rows}")
    found = client.get(path).json()
    assert found["notes"] == [] or all("No rain" not in note["text"] for note in found["notes"])
    assert found["whole"]["rain_mm"] > 5
    (tmp_path / "tarn-orchard.csv").write_text("time\n")
    broken = client.get(path)
    assert broken.status_code == 404
    assert str(tmp_path) not in broken.text


def test_the_api_loads_no_heavy_library_until_somebody_asks() -> None:
    import subprocess
    import sys

    code = "import sys, api.app; print([m for m in ('sklearn', 'pandas', 'pyarrow') if m in sys.modules])"
    root = Path(__file__).parent.parent.parent.parent
    done = subprocess.run([sys.executable, "-c", code], cwd=root, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
