"""The files for systemd and for containers, held against the command that they start. Neither is run here."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
import yaml  # type: ignore[import-untyped]
from typer.testing import CliRunner

from api.cli import app
from api.settings import PREFIX, Settings
from tests.conftest import ROOT

DEPLOY = ROOT / "deploy"


def options_of(command: str) -> set[str]:
    shown = CliRunner().invoke(app, [command, "--help"], env={"COLUMNS": "200", "NO_COLOR": "1"}).output
    return set(re.findall(r"--[a-z-]+", shown))


def check_command(words: list[str]) -> None:
    assert words[0] == "up"
    given = {word.partition("=")[0] for word in words if word.startswith("--")}
    assert given
    assert given <= options_of("up")


def test_the_unit_starts_the_command_as_it_is() -> None:
    text = (DEPLOY / "systemd" / "ullage.service").read_text()
    (line,) = re.findall(r"^ExecStart=(.*)$", text, re.MULTILINE)
    program, *words = shlex.split(line)
    assert Path(program).name == "ullage"
    check_command(words)
    sections = re.findall(r"^\[(.*)\]$", text, re.MULTILINE)
    assert sections == ["Unit", "Service", "Install"]


def test_compose_starts_the_command_as_it_is() -> None:
    compose = yaml.safe_load((DEPLOY / "compose.yaml").read_text())
    service = compose["services"]["ullage"]
    check_command(service["command"])
    known = {PREFIX + name.upper() for name in Settings.__dataclass_fields__}
    assert service["environment"].keys() <= known
    assert all(port.startswith("127.0.0.1:") for port in service["ports"])
    assert (DEPLOY / service["build"]["context"] / service["build"]["dockerfile"]).is_file()


@pytest.mark.parametrize("name", ["COPY", "RUN"])
def test_the_image_takes_what_there_is(name: str) -> None:
    text = (DEPLOY / "container" / "Containerfile").read_text()
    lines = [line for line in text.splitlines() if line.startswith(name)]
    assert lines
    for line in lines if name == "COPY" else []:
        for source in line.split()[1:-1]:
            assert (ROOT / source).exists(), source


@pytest.mark.parametrize("file", ["systemd/ullage.service", "compose.yaml", "container/Containerfile"])
def test_what_was_not_run_says_so(file: str) -> None:
    assert re.search(r"^#.*Not run", (DEPLOY / file).read_text(), re.MULTILINE)
