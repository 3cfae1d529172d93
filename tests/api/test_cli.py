"""The command line: what it prints, how it ends, and that errors are lines, not tracebacks."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent.parent
SITE = ROOT / "deploy" / "sites" / "skerrow-head.toml"


def ullage(*arguments: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "api.cli", *map(str, arguments)],
        cwd=ROOT, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip


def broken_site(tmp_path: Path) -> Path:
    file = tmp_path / "bad.toml"
    text = SITE.read_text()
    file.write_text(
        text.replace("plan_area_m2 = 84", 'plan_area_m2 = "84"').replace('tank = "main"', 'tank = "mian"', 1)
    )
    return file


def test_check_sums_up_good_files() -> None:
    done = ullage("check", SITE.parent)
    assert done.returncode == 0
    assert "skerrow-head: Skerrow Head bird observatory: 2 roofs, 1 tank, 2 draws" in done.stdout
    assert "tarn-orchard" in done.stdout


def test_check_lists_every_problem_one_a_line_and_ends_with_2(tmp_path: Path) -> None:
    file = broken_site(tmp_path)
    done = ullage("check", file)
    assert done.returncode == 2
    lines = done.stderr.splitlines()
    assert len(lines) == 2
    assert lines[0] == f"{file}: roof \"bunkhouse\" plan_area_m2 = '84': expected number"
    assert "tank = 'mian': expected the id of a tank: main" in lines[1]
    assert "Traceback" not in done.stderr


def test_check_in_json(tmp_path: Path) -> None:
    done = ullage("check", broken_site(tmp_path), "--json")
    assert done.returncode == 2
    assert len(json.loads(done.stdout)["problems"]) == 2
    assert json.loads(ullage("check", SITE, "--json").stdout) == {
        "sites": ["skerrow-head"], "problems": [], "warnings": [],
    }  # fmt: skip


def test_check_warns_of_what_a_file_may_lack_and_does_not_fail_for_it(tmp_path: Path) -> None:
    file = tmp_path / "site.toml"
    file.write_text(
        SITE.read_text()
        .partition("[design]")[0]
        .replace('measures = "tank.main.level"', 'measures = "air.temperature"')
    )
    done = ullage("check", file)
    assert done.returncode == 0
    assert "skerrow-head: warning: no [design] rain_mm" in done.stderr
    assert "a guess of 60 mm in every month" in done.stderr
    assert "skerrow-head: warning: no sensor measures the level of a tank" in done.stderr
    assert len(json.loads(ullage("check", file, "--json").stdout)["warnings"]) == 2
    assert "warning" not in ullage("check", SITE.parent).stderr


def test_a_missing_file_is_one_line() -> None:
    done = ullage("check", "nowhere.toml")
    assert done.returncode == 2
    assert "a readable file" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("command", ["ingest", "forecast", "api", "simulate"])
def test_a_role_refuses_a_bad_site_with_2(command: str, tmp_path: Path) -> None:
    broker = ["--broker", "mqtt://a:b@127.0.0.1:1"] if command in ("ingest", "simulate") else []
    data = ["--data", tmp_path / "data"] if command != "simulate" else []
    done = ullage(command, broken_site(tmp_path), *broker, *data)
    assert done.returncode == 2
    assert "mian" in done.stderr
    assert "Traceback" not in done.stderr


def test_replay_writes_hourly_columns_and_prints_totals(tmp_path: Path) -> None:
    rain = tmp_path / "rain.csv"
    rain.write_text(
        "time,rain_mm\n" + "".join(f"2026-01-0{1 + h // 24}T{h % 24:02}:00:00Z,{h % 5}\n" for h in range(48))
    )
    out = tmp_path / "out.csv"
    done = ullage("replay", SITE, "--rain", rain, "--start-level-m", 0.8, "--out", out, "--json")
    assert done.returncode == 0, done.stderr
    with out.open() as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 48
    assert list(rows[0]) == [
        "time", "rain_mm", "inflow_l", "first_flush_l", "gutter_loss_l", "drawn_l", "spilled_l",
        "volume_l",
    ]  # fmt: skip
    totals = json.loads(done.stdout)["totals"]
    assert totals["rain_mm"] == sum(h % 5 for h in range(48))
    assert totals["inflow_l"] == pytest.approx(sum(float(row["inflow_l"]) for row in rows), abs=0.1)


def test_replay_refuses_a_bad_record_with_row_and_remedy(tmp_path: Path) -> None:
    rain = tmp_path / "rain.csv"
    rain.write_text("time,rain_mm\n2026-01-01T00:00:00Z,wet\n")
    done = ullage("replay", SITE, "--rain", rain, "--start-level-m", 0.8)
    assert done.returncode == 2
    assert "data row 1" in done.stderr
    assert "Traceback" not in done.stderr
