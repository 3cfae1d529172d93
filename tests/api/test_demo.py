"""The one command of a newcomer, from the outside: starts, shows, survives a kill, stops."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import TypeVar

import httpx
import psutil
import pytest

T = TypeVar("T")
ROOT = Path(__file__).parent.parent.parent


@pytest.fixture
def demo(tmp_path: Path) -> Iterator[tuple[subprocess.Popen[str], Path]]:
    said = tmp_path / "said"
    with said.open("w") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "api.cli", "demo", "--data", str(tmp_path / "demo"), "--days", "20"],
            cwd=ROOT, stdout=out, stderr=subprocess.STDOUT, text=True, env={**os.environ, "COLUMNS": "200"},
        )  # fmt: skip
    yield process, said
    if process.poll() is None:
        for child in psutil.Process(process.pid).children(recursive=True):
            child.kill()
        process.kill()
        process.wait()


def until(find: Callable[[], T | None], within_s: float) -> T:
    end = time.monotonic() + within_s
    while (found := find()) is None:
        assert time.monotonic() < end
        time.sleep(0.1)
    return found


def test_a_newcomer_sees_a_forecast_and_nothing_is_left_behind(demo: tuple[subprocess.Popen[str], Path]) -> None:
    process, said = demo

    def address() -> str | None:
        assert process.poll() is None, said.read_text()
        found = re.search(r"Open (http://127\.0\.0\.1:\d+)/", said.read_text())
        return found.group(1) if found else None

    url = until(address, within_s=90)
    page = httpx.get(url).text
    assert "Skerrow Head bird observatory" in page
    assert "Tarn orchard shed" in page
    assert re.search(r"Rain water lasts", page)
    assert page.count("Forecast made") == 2
    forecast = httpx.get(f"{url}/api/v1/sites/skerrow-head/forecast").json()
    assert forecast["stale"] is False
    before = httpx.get(f"{url}/api/v1/sites/skerrow-head/latest").json()
    assert before

    processes = psutil.Process(process.pid).children(recursive=True)
    roles = {" ".join(child.cmdline()): child for child in processes}
    collector = next(child for line, child in roles.items() if " ingest " in line)
    assert not any("mqtt://" in line for line in roles), "a secret stands on a command line"
    collector.kill()

    def another() -> psutil.Process | None:
        for child in psutil.Process(process.pid).children():
            with suppress(psutil.NoSuchProcess):  # one that has just ended is no collector
                if " ingest " in " ".join(child.cmdline()) and child.pid != collector.pid:
                    return child
        return None

    until(another, within_s=20)
    assert httpx.get(f"{url}/api/v1/health/live").status_code == 200

    process.send_signal(signal.SIGINT)
    assert process.wait(30) == 0
    assert "the data stay in" in said.read_text()
    _, alive = psutil.wait_procs(processes, timeout=5)
    assert alive == []


def test_the_roles_end_when_their_supervisor_is_killed(demo: tuple[subprocess.Popen[str], Path]) -> None:
    process, _ = demo
    processes = until(lambda: _at_least(5, process.pid), within_s=60)
    process.kill()
    process.wait()
    roles = [child for child in processes if "nats-server" not in child.name()]
    _, alive = psutil.wait_procs(roles, timeout=20)
    assert alive == []
    for child in processes:
        if child.is_running():
            child.kill()


def _at_least(count: int, pid: int) -> list[psutil.Process] | None:
    children = psutil.Process(pid).children(recursive=True)
    return children if len(children) >= count else None
