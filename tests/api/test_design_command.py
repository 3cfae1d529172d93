"""`ullage design`: for people, for programs, and as the README shows it."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

from tests.forecast.sizing.made import daily_csv
from tests.project.test_docs import README, ROOT

FELL = ROOT / "deploy" / "designs" / "skerrow-fell.toml"


def ullage(*arguments: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "api.cli", *map(str, arguments)],
        cwd=ROOT, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip


def test_it_prints_what_the_readme_shows_and_then_the_tables() -> None:
    done = ullage("design", FELL)
    assert done.returncode == 0, done.stderr
    shown = README.split("skerrow-fell.toml` begins:\n\n```text\n")[1].split("```")[0].strip()
    assert done.stdout.strip().startswith(shown)
    for words in ("Month by month", "Year by year", "Usable tank, L", "knee", "this one", "Tank by the 5 % rule"):
        assert words in done.stdout
    # Tables stand in one piece: a month's row has its thirteen columns.
    (row,) = [line.split() for line in done.stdout.splitlines() if line.startswith(" year ") and "4,560" in line]
    assert len(row) == 13


def test_json_over_a_daily_record(tmp_path: Path) -> None:
    rain = tmp_path / "showers.csv"
    daily_csv(rain, 2)
    done = ullage("design", FELL, "--rain", rain, "--json")
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert (found["figures"]["daily"], found["figures"]["years"], found["figures"]["source"]) == (True, 2, "showers")
    said = [one["says"] for one in found["findings"] if one["kind"] == "basis"]
    assert any(sentence.startswith("The record is daily") for sentence in said)
    assert any("may lack a dry one" in sentence for sentence in said)


def test_a_record_too_short_is_one_line_and_2(tmp_path: Path) -> None:
    rain = tmp_path / "short.csv"
    rain.write_text("time,rain_mm\n2021-01-01T00:00:00Z,1\n2021-01-02T00:00:00Z,2\n")
    done = ullage("design", FELL, "--rain", rain)
    assert done.returncode == 2
    assert "a design check needs one whole year" in done.stderr
    assert "Traceback" not in done.stderr


def test_keys_are_listed_and_check_without_a_file_says_what_to_give() -> None:
    listed = json.loads(ullage("check", "--keys", "--json").stdout)
    assert {"key", "table", "meaning", "expected", "required", "default"} == set(listed["keys"][0])
    level = listed["measures"][0]
    assert (level["pattern"], level["unit"], level["sent"]) == ("tank.*.level", "m", ["m", "cm", "mm"])
    done = ullage("check")
    assert done.returncode == 2
    assert "a site file or a folder of them" in done.stderr
