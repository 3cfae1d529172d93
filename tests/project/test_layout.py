"""The house stands as drawn: top level, packages of this tree, files of a readable length."""

from __future__ import annotations

import importlib
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent.parent
TOP = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml"}
ROOMS = {"ingest", "forecast", "api", "simulator"}
FOLDERS = ROOMS | {"tests", "deploy"}


def tracked() -> list[str]:
    return subprocess.run(["git", "ls-files"], cwd=ROOT, check=True, capture_output=True, text=True).stdout.splitlines()


def test_the_top_level_is_as_given() -> None:
    top = {name.partition("/")[0] for name in tracked()}
    assert {name for name in top if not name.startswith(".")} == TOP | FOLDERS


@pytest.mark.parametrize("room", sorted(ROOMS))
def test_each_package_is_loaded_from_this_tree(room: str) -> None:
    module = importlib.import_module(room)
    assert module.__file__ is not None
    assert Path(module.__file__).parent == ROOT / room


def test_no_file_is_longer_than_350_lines() -> None:
    python = [ROOT / name for name in tracked() if name.endswith(".py")]
    long = {
        str(path.relative_to(ROOT)): lines for path in python if (lines := len(path.read_text().splitlines())) > 350
    }
    assert not long


HEAVY = ("pandas", "sklearn", "numba", "fastapi", "sqlalchemy")


@pytest.mark.parametrize("command", ["ingest", "simulate"])
def test_the_light_roles_load_nothing_heavy(command: str) -> None:
    modules = {"ingest": "ingest.role", "simulate": "simulator.role"}[command]
    code = f"import sys, api.cli, {modules}, ingest.sitefile; print([m for m in {HEAVY} if m in sys.modules])"
    found = subprocess.run([sys.executable, "-c", code], cwd=ROOT, check=True, capture_output=True, text=True)
    assert found.stdout.strip() == "[]"


def test_no_lock_file_names_an_index() -> None:
    for lock in (ROOT / "deploy" / "lock").glob("*.txt"):
        text = lock.read_text()
        assert "://" not in text
        assert "--hash=sha256:" in text
