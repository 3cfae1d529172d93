"""A third site, unlike the examples, on which every command and page of designer and installer works.

Two roofs into one tank, a meter that speaks other JSON, a chamber that a hand empties, use that rests twice a year.
"""

from __future__ import annotations

import csv
import tomllib
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from api.app import create_app
from api.cli import app
from api.settings import Settings
from forecast.worker import Worker
from ingest.instants import DAY_MS, HOUR_MS, floor_hour
from ingest.reading import Reading
from ingest.sitefile import load_site, parse_site
from ingest.store.records import Records
from ingest.store.sqlite import SqliteStore
from tests.api.conftest import Client
from tests.api.fakes import NOW_MS, Clock, Here

FIELD_SCHOOL = """
id = "skerrow-sound"
name = "Skerrow Sound field school"
latitude = 57.4
longitude = -4.0
timezone = "Europe/London"

[[roof]]
id = "classroom"
plan_area_m2 = 96
runoff_coefficient = 0.9
gutter_capacity_l_min = 100
tank = "main"
first_flush = { volume_l = 40 }

[[roof]]
id = "barn"
plan_area_m2 = 140
runoff_coefficient = 0.75
tank = "main"

[[tank]]
id = "main"
shape = "vertical_cylinder"
diameter_m = 2.2
outlet_height_m = 0.15
overflow_height_m = 2.0
low_l = 800

[[draw]]
id = "washing"
tank = "main"
litres_per_day = 180
feed = "gravity"
months = [3, 4, 5, 6, 7, 9, 10, 11]

[[draw]]
id = "garden"
tank = "main"
litres_per_day = 200
feed = "pumped"
months = [5, 6, 7, 8, 9]
hours = [18, 22]

[backup]
id = "borehole"
changeover = "by hand"

[pump]
power_w = 120
flow_l_min = 25

[[sensor]]
device = "hut"
name = "level"
measures = "tank.main.level"

[[sensor]]
device = "hut"
name = "rain"
measures = "rain.total"

[[sensor]]
device = "barn-meter"
name = "barn"
measures = "roof.barn.total"
topic = "barn/meter"
pointer = "/pulses/litres"
unit = "l"

[design]
rain_mm = [92, 70, 66, 58, 60, 62, 58, 74, 72, 96, 98, 102]
reliable_days = 0.9
"""


SECOND_TANK = {"id": "two", "shape": "rectangular", "length_m": 1, "width_m": 1, "outlet_height_m": 0.1,
               "overflow_height_m": 1}  # fmt: skip
#: What somebody may well write, and nobody tried before.
ODD: dict[str, dict[str, Any]] = {
    "nobody draws": {"draw": []},
    "a zone of half hours": {"timezone": "Asia/Kolkata", "latitude": 12.9, "longitude": 77.6},
    "nothing is measured": {"sensor": []},
    "a spare tank that nothing fills": {"tank": [*tomllib.loads(FIELD_SCHOOL)["tank"], SECOND_TANK]},
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The site file, and twelve days in which it rained on the fifth and somebody washed every morning."""
    folder = tmp_path_factory.mktemp("third")
    (folder / "skerrow-sound.toml").write_text(FIELD_SCHOOL, encoding="utf-8")
    end_ms = floor_hour(NOW_MS)
    start_ms = end_ms - 12 * DAY_MS
    level, rain, barn, readings = 1.2, 400.0, 20_000.0, []
    for time_ms in range(start_ms, end_ms + 1, HOUR_MS):
        hours = (time_ms - start_ms) // HOUR_MS
        if hours // 24 == 5 and hours % 24 < 8:
            level, rain, barn = level + 0.04, rain + 1.0, barn + 100.0
        elif hours % 24 == 8:
            level -= 0.045
        values = {"hut/level": round(level, 3), "hut/rain": rain, "barn-meter/barn": barn}
        readings += [Reading("skerrow-sound", time_ms, sensor, value) for sensor, value in values.items()]
    store = SqliteStore(folder / "data" / "readings.db")
    store.write(readings)
    store.close()
    Records(f"sqlite:///{folder / 'data' / 'records.db'}").close()
    return folder


def ullage(*arguments: object) -> str:
    done = CliRunner().invoke(app, [*map(str, arguments)])
    assert done.exit_code in (0, 1), done.output
    return done.output


def test_the_commands(folder: Path) -> None:
    site, data = folder / "skerrow-sound.toml", folder / "data"
    assert ullage("check", site).strip() == (
        "skerrow-sound: Skerrow Sound field school: 2 roofs, 1 tank, 2 draws, 3 sensors, no battery, borehole as backup"
    )
    design = ullage("design", site)
    assert "A first-flush chamber has neither drip nor valve" in design
    assert "Overflow of main has no route" in design
    assert "Head and flow at washing and garden cannot be checked" in design
    assert "barn-meter/barn (roof.barn.total): silent" in ullage("commission", site, "--data", data)
    account = ullage("account", site, "--data", data, "--from", "2026-11-14", "--to", "2026-11-25")
    assert "Without a meter: washing and garden" in " ".join(account.split())
    few = ullage("account", site, "--data", data, "--from", "2026-11-20T07:00:00Z", "--to", "2026-11-20T11:00:00Z")
    assert "of 4 hours" in " ".join(few.split())
    out = folder / "account.csv"
    ullage("export", site, "account", "--data", data, "--from", "2026-11-14", "--to", "2026-11-25", "--out", out)
    with out.open(newline="", encoding="utf-8") as file:
        (row,) = csv.DictReader(file)
    assert (row["site"], row["month"], float(row["rain_mm"])) == ("skerrow-sound", "2026-11", 8.0)


@pytest.mark.parametrize("page", ["", "/commissioning", "/handover", "/design", "/account", "/report?month=2026-11"])
@pytest.mark.parametrize("language", ["en", "es"])
def test_the_pages(folder: Path, page: str, language: str) -> None:
    site = load_site(folder / "skerrow-sound.toml")
    store = SqliteStore(folder / "data" / "readings.db", writer=False)
    records = Records(f"sqlite:///{folder / 'data' / 'records.db'}")
    try:
        settings = Settings(data=folder / "data")
        client = Client(create_app({site.id: site}, store, records, Clock(), settings, backroom=Here()))
        answer = client.get(f"/sites/skerrow-sound{page}", headers={"Accept-Language": language})
        assert answer.status_code == 200, answer.text
        assert f'lang="{language}"' in answer.text
        assert "Legionella" in answer.text, "the cautions stand on every page"
    finally:
        records.close()
        store.close()


@pytest.mark.parametrize("odd", ODD)
def test_what_is_odd_is_forecast_and_shown_all_the_same(folder: Path, tmp_path: Path, odd: str) -> None:
    site = parse_site(tomllib.loads(FIELD_SCHOOL) | ODD[odd], odd)
    store = SqliteStore(folder / "data" / "readings.db", writer=False)
    records = Records(f"sqlite:///{tmp_path / 'records.db'}")
    try:
        Worker({site.id: site}, store, records, {}, Clock()).round([site.id])
        assert (records.latest_forecast(site.id) is None) == (odd == "nothing is measured")
        client = Client(create_app({site.id: site}, store, records, Clock(), Settings(data=folder), backroom=Here()))
        for page in ("", "/commissioning", "/handover", "/design", "/account"):
            answer = client.get(f"/sites/{site.id}{page}")
            assert answer.status_code == 200, (page, answer.text)
            assert "nan" not in answer.text.split()
    finally:
        records.close()
        store.close()
