"""The design check over the API: figures and sentences, kept until the rain record changes."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from api.app import create_app
from api.settings import Settings
from api.whole import Installation
from ingest.site import Site
from ingest.store.records import Records
from tests.api.conftest import Client
from tests.api.fakes import Clock, Here, MemoryReadings
from tests.forecast.sizing.made import daily_csv, site_of

DESIGN = "/api/v1/sites/{}/design"


@pytest.fixture
def rain(tmp_path: Path) -> Path:
    folder = tmp_path / "rain"
    folder.mkdir()
    return folder


@pytest.fixture
def design_client(records: Records, clock: Clock, tmp_path: Path, rain: Path) -> Client:
    bare = site_of(design=None).model_copy(update={"id": "bare"})
    sites: dict[str, Site] = {"made": site_of(), "bare": bare}
    return Client(
        create_app(sites, MemoryReadings(), records, clock, Settings(data=tmp_path, rain=rain), backroom=Here())
    )


def test_figures_and_sentences(client: Client) -> None:
    answer = client.get(DESIGN.format("skerrow-head"))
    assert answer.status_code == 200
    found = answer.json()
    figures = found["figures"]
    assert (figures["site"], figures["stand_in"], figures["years"]) == ("skerrow-head", True, 30)
    assert len(figures["months"]) == 12
    assert figures["total"]["drawn_l"] == pytest.approx(sum(month["drawn_l"] for month in figures["months"]), abs=1)
    assert {one["kind"] for one in found["findings"]} == {"promise", "warning", "result", "basis", "caution"}


def test_a_record_beside_the_sites_is_used_and_a_new_one_too(design_client: Client, rain: Path) -> None:
    before = design_client.get(DESIGN.format("made")).json()["figures"]
    assert before["stand_in"]
    file = rain / "made.csv"
    daily_csv(file, 2)
    after = design_client.get(DESIGN.format("made")).json()["figures"]
    assert (after["stand_in"], after["source"], after["years"]) == (False, "made", 2)
    daily_csv(file, 3)
    os.utime(file, (1, 1))
    assert design_client.get(DESIGN.format("made")).json()["figures"]["years"] == 3


def test_where_there_is_no_rain_it_says_what_is_lacking(design_client: Client, rain: Path) -> None:
    answer = design_client.get(DESIGN.format("bare"))
    assert answer.status_code == 404
    assert "give a record with --rain, or [design] rain_mm" in answer.json()["detail"]
    (rain / "bare.csv").write_text("time,rain_mm\n2021-01-01T00:00:00Z,-1\n")
    detail = design_client.get(DESIGN.format("bare")).json()["detail"]
    assert "rain of 0 mm or more" in detail
    assert str(rain) not in detail


def test_the_page_gets_the_rain_records_that_the_forecaster_has(tmp_path: Path) -> None:
    roles = Installation(tmp_path, tmp_path, rain=tmp_path / "rain").roles("mqtt://u:p@127.0.0.1:1")
    given = [role.command for role in roles if role.command[3] in ("forecast", "api")]
    assert len(given) == 2
    for command in given:
        assert command[command.index("--rain") + 1] == str(tmp_path / "rain")
