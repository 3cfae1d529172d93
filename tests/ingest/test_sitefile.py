"""Site files: every problem at once, with file, key, value and what was expected."""

from __future__ import annotations

import shutil
import tomllib
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from ingest.errors import SiteFileError
from ingest.sitefile import load_site, load_sites, parse_site


@pytest.fixture
def good(sites_folder: Path) -> dict[str, Any]:
    return tomllib.loads((sites_folder / "skerrow-head.toml").read_text())


def problems(data: dict[str, Any]) -> list[str]:
    with pytest.raises(SiteFileError) as caught:
        parse_site(data, "f.toml")
    return [str(problem) for problem in caught.value.problems]


def test_the_examples_are_of_two_kinds(sites_folder: Path) -> None:
    sites = load_sites(sites_folder)
    observatory, orchard = sites["skerrow-head"], sites["tarn-orchard"]
    assert len(observatory.roof) == 2
    assert observatory.battery is not None
    assert observatory.backup is not None
    assert {draw.feed for draw in observatory.draw} == {"gravity", "pumped"}
    assert orchard.battery is None
    assert [tank.overflow_to for tank in orchard.tank] == ["lower", None]


def test_all_problems_are_told_at_once(good: dict[str, Any]) -> None:
    good["timezone"] = "Mars/Crater"
    good["roof"][0]["plan_area_m2"] = "84"
    good["roof"][1]["tank"] = "mian"
    good["battery"]["nominal_v"] = 13
    del good["draw"][0]["feed"]
    good["sensor"][0]["measures"] = "depth"
    said = problems(good)
    assert len(said) == 6
    assert "timezone = 'Mars/Crater': expected a name of the time zone database, such as Europe/London" in said
    assert "roof \"bunkhouse\" plan_area_m2 = '84': expected number" in said
    assert "roof \"ringing-hut\" tank = 'mian': expected the id of a tank: main" in said
    assert 'draw "taps" feed is missing: expected one of "gravity", "pumped"' in said
    assert "battery nominal_v = 13: expected 12, 24, 36 or 48" in said
    assert any(line.startswith("sensor no. 1 measures = 'depth': expected one of tank.*.level") for line in said)


def change(part: str, key: str, value: object) -> Any:
    def apply(data: dict[str, Any]) -> None:
        table = data[part][0] if isinstance(data[part], list) else data[part]
        table[key] = value

    return apply


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (change("tank", "overflow_height_m", 0.1), "outlet_height_m below the overflow_height_m"),
        (change("tank", "shape", "egg"), """tank "main" shape = 'egg': expected one of "vertical_cylinder\""""),
        (change("tank", "diam", 1.6), "a key that exists; do you mean diameter_m?"),
        (change("roof", "plan_aera_m2", 84), "a key that exists; do you mean plan_area_m2?"),
        (change("battery", "colour", "red"), "a key that exists: ullage check --keys lists them"),
        (change("tank", "overflow_to", "main"), "further down in the file"),
        (change("roof", "id", "ringing-hut"), "an id that only one roof has"),
        (change("roof", "runoff_coefficient", 1.2), "less than or equal to 1"),
        (change("tank", "diameter_m", 1600.0), 'tank "main" diameter_m = 1600.0: expected less than or equal to 50'),
        (change("roof", "plan_area_m2", True), "number"),
        (change("roof", "plan_area_m2", float("nan")), "finite"),
        (change("draw", "months", []), "at least 1 of them"),
        (change("battery", "nominal_v", 24), "near the nominal_v of 24; they are cutoff_v = 11.6 and low_v = 12"),
        (change("battery", "nominal_v", 24), "both above 18 and below 31.2"),
        (change("draw", "months", [0]), "greater than or equal to 1"),
        (change("draw", "hours", [8, 5]), "such as [6, 9]"),
        (change("battery", "cutoff_v", 12.5), "a cutoff_v below the low_v"),
        (change("sensor", "measures", "tank.other.level"), "the id of a tank: main"),
        (change("sensor", "topic", "a/b"), "topic, pointer and unit together"),
        (change("sensor", "name", "inflow-total"), "a device and name that only one sensor has"),
        (lambda data: data.pop("pump"), "a [pump] table"),
        (lambda data: data.pop("battery"), "a [battery] table"),
        (lambda data: data.pop("roof"), "roof is missing: expected at least one [[roof]] table"),
        (
            lambda data: data["tank"][0].pop("shape"),
            'tank "main" shape is missing: expected one of "vertical_cylinder"',
        ),
        (lambda data: data.update(id="skerrow_head"), "small letters, digits and hyphens"),
        (lambda data: data.update(commissioned="2026-04-12"), "a time with its offset, such as 2026-04-12T10:00"),
        (
            lambda data: data.update(commissioned=datetime(2026, 11, 29, 10)),  # noqa: DTZ001 - as TOML gives it
            "commissioned = 2026-11-29T10:00:00: expected a time with its offset",
        ),
        (change("roof", "area", 84), "do you mean plan_area_m2?"),
        (change("roof", "first_flush", 40), "first_flush = 40: expected a table"),
        (change("draw", "months", ["May"]), "whole number"),
        (change("draw", "hours", [8]), "at least 2 of them, not 1"),
        (change("sensor", "high", 2_500), "low below high, both within -0.05 to 30 m, the unit kept inside"),
        (change("sensor", "device", "alarm"), "another name: the state of alarms is shown under 'alarm'"),
    ],
)
def test_each_kind_of_mistake_is_explained(good: dict[str, Any], spoil: Any, said: str) -> None:
    spoil(good)
    assert any(said in line for line in problems(good)), problems(good)


def test_a_pointer_sensor_says_what_unit_to_send(good: dict[str, Any]) -> None:
    good["sensor"][3] |= {"topic": "pump/state", "pointer": "/flow", "unit": "l/min"}
    assert any("l/s (divide by 60)" in line for line in problems(good))


def test_a_file_that_is_no_toml_is_one_problem(tmp_path: Path) -> None:
    file = tmp_path / "site.toml"
    file.write_text("id = ")
    with pytest.raises(SiteFileError, match=r"site\.toml: file = site\.toml: expected TOML"):
        load_site(file)


def test_an_empty_folder_and_a_repeated_id_are_problems(tmp_path: Path, sites_folder: Path) -> None:
    with pytest.raises(SiteFileError, match="at least one site file"):
        load_sites(tmp_path)
    for name in ("a.toml", "b.toml"):
        shutil.copy(sites_folder / "tarn-orchard.toml", tmp_path / name)
    with pytest.raises(SiteFileError, match=r"b\.toml: id = 'tarn-orchard': expected an id that no other"):
        load_sites(tmp_path)


def test_the_problems_of_all_files_of_a_folder_are_told(tmp_path: Path, sites_folder: Path) -> None:
    for name in ("skerrow-head", "tarn-orchard"):
        text = (sites_folder / f"{name}.toml").read_text()
        (tmp_path / f"{name}.toml").write_text(text.replace("latitude = 5", "latitude = 95"))
    with pytest.raises(SiteFileError) as caught:
        load_sites(tmp_path)
    assert len(caught.value.problems) == 2


@pytest.mark.parametrize(
    ("line", "hint"),
    [
        ("latitude = 56,7", "; decimals are written with a point: line 1 has 56,7, write 56.7"),
        ("first_flush = { volume_l = 1,6 }", "; decimals are written with a point: line 1 has 1,6, write 1.6"),
        ("latitude = north", ""),
        ("latitude = north # not = 56,7", ""),
    ],
)
def test_a_decimal_comma_is_told_apart_from_other_mistakes(tmp_path: Path, line: str, hint: str) -> None:
    file = tmp_path / "comma.toml"
    file.write_text(line + "\n")
    with pytest.raises(SiteFileError) as caught:
        load_site(file)
    (problem,) = caught.value.problems
    assert problem.expected.startswith("TOML in UTF-8 (")
    assert problem.expected.endswith(f"){hint}")
