"""Commissioning over the API, on the pages and by the command; and the sheet that stays on site."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from api.alarms.types import alarms_of
from api.cli import app
from ingest.instants import DAY_MS, MINUTE_MS
from ingest.reading import Reading
from ingest.site import Site
from ingest.store.locate import open_readings
from ingest.store.records import LogEntry, Records
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


def test_a_level_in_centimetres_is_asked_back_and_written_down_once_meant(sent: Client) -> None:
    where = "/sites/skerrow-head/commissioning"
    asked = sent.post(where, data={"sensor": "post-1/level", "value": "135"})
    assert asked.status_code == 422
    said = asked.text.replace("\N{NO-BREAK SPACE}", " ")
    assert "Is it 1.35 m?" in said
    assert (
        "As written, 135.00 m cannot be: 0.00 m to 1.98 m is possible here. Read as centimetres, it is 1.35 m." in said
    )
    assert "No: write down" not in said
    assert verdicts(sent)["post-1/level"]["by_hand"] is None
    meant = {"sensor": "post-1/level", "value": re.findall(r'name="value" value="(.*?)"', said)[0], "sure": "true"}
    assert sent.post(where, data=meant).status_code == 303
    assert verdicts(sent)["post-1/level"]["by_hand"]["hand"] == pytest.approx(1.35)


def test_a_level_that_would_agree_in_another_unit_is_asked_back_and_may_stay(sent: Client) -> None:
    where = "/sites/skerrow-head/commissioning"
    data = {"sensor": "post-1/level", "value": "0,51", "units": "us-gallon"}  # decimal comma; half an inch
    assert sent.post(where, data=data).status_code == 303  # nothing mends it: written down
    asked = sent.post(where, data=data | {"value": "4,27"})
    said = asked.text.replace("\N{NO-BREAK SPACE}", " ")
    assert "As written, 0.11 m is far from the 1.30 m that the sensor says. Read as feet, it is 1.30 m." in said
    kept = {"sensor": "post-1/level", "value": re.findall(r'name="value" value="(.*?)"', said)[1], "sure": "true"}
    assert sent.post(where, data=kept).status_code == 303
    assert verdicts(sent)["post-1/level"]["by_hand"]["hand"] == pytest.approx(4.27 * 0.0254)


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        ("deep", "a number in m, such as 1.35"),
        ("9999", "0.00 m to 1.98 m"),
        ("-1", "0.00 m to 1.98 m"),
    ],
)
def test_what_makes_no_sense_in_any_unit_is_refused_with_what_is_expected(
    sent: Client, value: str, expected: str
) -> None:
    answer = sent.post("/sites/skerrow-head/commissioning", data={"sensor": "post-1/level", "value": value})
    assert (answer.status_code, expected in answer.text.replace("\N{NO-BREAK SPACE}", " ")) == (422, True)


def test_whoever_reads_inches_writes_inches(sent: Client) -> None:
    page = sent.get("/sites/skerrow-head/commissioning?units=us-gallon").text
    assert "Measured by hand just now, in inches" in page
    assert 'name="units" value="us-gallon"' in page
    data = {"sensor": "post-1/level", "value": "51.2", "units": "us-gallon"}
    assert sent.post("/sites/skerrow-head/commissioning", data=data).status_code == 303
    assert verdicts(sent)["post-1/level"]["by_hand"]["hand"] == pytest.approx(51.2 * 0.0254)
    assert verdicts(sent)["post-1/level"]["verdict"] == "ready"


def test_two_levels_well_apart_tell_the_scale(sent: Client) -> None:
    service = sent.app.state.service

    def measure(value: float, ago_ms: int) -> None:
        service.records.append_log(
            LogEntry("skerrow-head", NOW_MS - ago_ms, "measured", "post-1/level", "warden", "", value)
        )

    measure(1.305, 0)
    measure(1.30, MINUTE_MS)  # beside it: adds nothing
    page = sent.get("/sites/skerrow-head/commissioning").text
    assert "One level alone does not tell a wrong scale" in page
    assert "compared at one level only" in sent.get("/sites/skerrow-head/handover").text
    service.readings.write([Reading("skerrow-head", NOW_MS - 9 * DAY_MS, "post-1/level", 0.70)])
    measure(0.71, 9 * DAY_MS)
    page = sent.get("/sites/skerrow-head/commissioning").text
    assert "with two levels well apart, the scale is right too" in page
    assert "compared at one level only" not in sent.get("/sites/skerrow-head/handover").text


def test_a_level_that_was_apart_tells_no_scale(sent: Client) -> None:
    service = sent.app.state.service
    service.readings.write([Reading("skerrow-head", NOW_MS - 9 * DAY_MS, "post-1/level", 0.60)])
    for value, ago_ms in ((0.71, 9 * DAY_MS), (1.305, 0)):
        entry = LogEntry("skerrow-head", NOW_MS - ago_ms, "measured", "post-1/level", "warden", "", value)
        service.records.append_log(entry)
    assert "One level alone does not tell a wrong scale" in sent.get("/sites/skerrow-head/commissioning").text


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
