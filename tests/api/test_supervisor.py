"""The supervisor: restarts what falls, gives up loudly, stops all of it."""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from pathlib import Path

import pytest

from api.supervisor import PARENT, Role, RoleFailedError, Supervisor

SLEEPER = [sys.executable, "-c", "import time; time.sleep(60)"]


def until(condition: object, within_s: float = 10.0) -> None:
    end = time.monotonic() + within_s
    while not condition():  # type: ignore[operator]
        assert time.monotonic() < end
        time.sleep(0.02)


def watching(supervisor: Supervisor, stop: threading.Event) -> threading.Thread:
    thread = threading.Thread(target=supervisor.watch, args=(stop,))
    thread.start()
    return thread


def test_a_killed_role_is_started_again_and_all_stop_together(tmp_path: Path) -> None:
    supervisor = Supervisor([Role("one", SLEEPER), Role("two", SLEEPER)], logs=tmp_path)
    stop = threading.Event()
    supervisor.start()
    thread = watching(supervisor, stop)
    before = supervisor.pids()
    os.kill(before["one"], signal.SIGKILL)
    until(lambda: supervisor.pids().get("one") not in (None, before["one"]))
    assert supervisor.pids()["two"] == before["two"]
    stop.set()
    thread.join(10)
    supervisor.stop()
    assert supervisor.pids() == {}


def test_a_role_that_does_not_stay_up_ends_the_whole_with_its_last_words(tmp_path: Path) -> None:
    failing = Role("bad", [sys.executable, "-c", "import sys; sys.exit('no such tank')"])
    supervisor = Supervisor([failing, Role("good", SLEEPER)], logs=tmp_path)
    supervisor.start()
    with pytest.raises(RoleFailedError, match="bad ended 6 times in a row, last with exit 1: no such tank"):
        supervisor.watch(threading.Event())
    supervisor.stop()
    assert supervisor.pids() == {}


def test_what_no_new_start_would_mend_ends_the_whole_at_once(tmp_path: Path) -> None:
    code = "import sys; print('notify.toml: secret is missing', file=sys.stderr); sys.exit(2)"
    supervisor = Supervisor([Role("bad", [sys.executable, "-c", code])], logs=tmp_path)
    supervisor.start()
    with pytest.raises(RoleFailedError, match=r"bad cannot use what it was given: .*secret is missing"):
        supervisor.watch(threading.Event())
    supervisor.stop()


def test_a_role_hears_its_environment_and_its_lines_are_heard(tmp_path: Path) -> None:
    heard: list[str] = []
    code = f"import os; print(os.environ['SECRET'], os.environ['{PARENT}'], flush=True); import time; time.sleep(60)"
    supervisor = Supervisor([Role("teller", [sys.executable, "-c", code], {"SECRET": "hush"}, heard.append)], tmp_path)
    supervisor.start()
    until(lambda: heard)
    supervisor.stop()
    assert heard == [f"hush {os.getpid()}"]


def test_a_role_that_will_not_stop_is_killed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("api.supervisor._STOP_WITHIN_S", 0.3)
    ready: list[str] = []
    code = "import signal, time; signal.signal(signal.SIGTERM, signal.SIG_IGN); print('up', flush=True); time.sleep(60)"
    supervisor = Supervisor([Role("deaf", [sys.executable, "-c", code], {}, ready.append)], tmp_path)
    supervisor.start()
    until(lambda: ready)
    supervisor.stop()
    assert supervisor.pids() == {}
