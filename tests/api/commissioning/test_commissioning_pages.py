"""Commissioning over the API, on the pages and by the command; and the sheet that stays on site."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from api.alarms.types import alarms_of
from api.cli import app
from ingest.instants import MINUTE_MS
from ingest.reading import Reading
from ingest.site import Site
from ingest.store.locate import open_readings
from ingest.store.records import Records
from tests.api.conftest import Client
from tests.api.fakes import NOW_MS
from tests.conftest import SITES

WHERE = "/api/v1/sites/skerrow-head/commissioning"


@pytest.fixture
def sent(client: Client) -> Client:
    """Skerrow Head, whose level alone has been heard."""
    readings = [
        Reading("skerrow-head", NOW_MS - back * MINUTE_MS, "post-1/level", 1.30 + back / 1000) for back in range(30)
    ]
    client.app.state.service.readings.write(readings)
    return client


def verdicts(client: Client) -> dict[str, Any]:
    return {row["sensor"]: row for row in client.get(WHERE).json()["sensors"]}


def test_what_was_measured_by_hand_makes_a_sensor_ready(sent: Client) -> None:
    assert verdicts(sent)["post-1/level"]["verdict"] == "compare"
    entry = {"kind": "measured", "part": "post-1/level", "value": 1.31, "who": "warden"}
    answer = sent.post("/api/v1/sites/skerrow-head/log", json=entry)
    assert answer.status_code == 201, answer.text
    row = verdicts(sent)["post-1/level"]
    assert row["verdict"] == "ready"
    assert row["by_hand"]["hand"] == 1.31
    assert row["by_hand"]["sensor"] == pytest.approx(1.30)
    assert verdicts(sent)["post-1/battery"]["verdict"] == "silent"


@pytest.mark.parametrize(
    "entry",
    [
        {"kind": "measured", "part": "post-1/level"},
        {"kind": "measured", "part": "post-1/no-such", "value": 1.0},
        {"kind": "note", "note": "x", "value": 1.0},
        {"kind": "measured", "part": "post-1/rain-total", "value": 0.0},
    ],
)
def test_a_measurement_needs_a_sensor_and_a_number_and_nothing_else_has_one(
    sent: Client, entry: dict[str, Any]
) -> None:
    assert sent.post("/api/v1/sites/skerrow-head/log", json=entry).status_code == 422


def test_the_page_says_what_to_do_and_takes_a_measurement(sent: Client) -> None:
    page = sent.get("/sites/skerrow-head/commissioning").text
    assert "Not ready yet." in page
    assert "To be compared: 1." in page
    assert 'name="sensor" value="post-1/level"' in page
    assert "ullage/skerrow-head/post-1/senml, with the name battery" in page
    answer = sent.post("/sites/skerrow-head/commissioning", data={"sensor": "post-1/level", "value": "1.305"})
    assert answer.status_code == 303
    assert verdicts(sent)["post-1/level"]["verdict"] == "ready"


def test_the_page_speaks_spanish(sent: Client) -> None:
    assert "Puesta en marcha" in sent.get("/sites/skerrow-head/commissioning?lang=es").text


def test_the_sheet_tells_of_every_alarm_that_can_come(client: Client, skerrow_head: Site) -> None:
    sheet = client.get("/sites/skerrow-head/handover").text
    assert "Tank main holds" in sheet
    assert sheet.count("<h3>") == len({alarm.kind.key for alarm in alarms_of(skerrow_head)})
    assert "Licensed plumber:" in sheet
    assert "clean-gutters" in sheet
    assert "Within a week." in sheet
    assert "168 hours" not in sheet


def test_the_command_says_the_same_and_ends_with_1_while_something_is_not_ready(tmp_path: Path) -> None:
    store = open_readings(str(tmp_path / "readings.db"), writer=True, data=tmp_path)
    store.close()
    Records(f"sqlite:///{tmp_path / 'records.db'}").close()
    command = ["commission", str(SITES / "skerrow-head.toml"), "--data", str(tmp_path)]
    done = CliRunner().invoke(app, [*command, "--json"])
    assert done.exit_code == 1
    assert {row["verdict"] for row in json.loads(done.stdout)["sensors"]} == {"silent"}
    said = CliRunner().invoke(app, command)
    assert said.exit_code == 1
    assert "post-1/level (tank.main.level): silent" in said.stdout
