"""One command, several processes: start the roles, restart what falls, stop all of it cleanly.

Each role is a process of its own, so that a fault in one (or its memory, or its threads) is not a
fault in all. A role that keeps failing ends the whole: better a clear stop than a silent half.
"""

from __future__ import annotations

import logging
import os
import subprocess
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from ingest.errors import UllageError
from ingest.private import private_folder

log = logging.getLogger("ullage.supervisor")

#: The parent's process id: a role whose parent has gone ends too.
PARENT: Final = "ULLAGE_PARENT"
_POLL_S: Final = 0.2
_STOP_WITHIN_S: Final = 15.0
#: Ends within this count as failures in a row; so many in a row, and the whole stops.
_SETTLED_AFTER_S: Final = 60.0
_MOST_FAILURES: Final = 6
#: A role ends with this where a file or a setting is wrong: starting it again would not mend that.
_BAD_INPUT: Final = 2


class RoleFailedError(UllageError):
    """A role does not stay up; the text names it and its last words."""


@dataclass(frozen=True)
class Role:
    """A process to keep running. `on_line` gets each line that it prints.

    environment  what it needs beside our own environment: secrets, which a command line would show to all
    """

    name: str
    command: Sequence[str]
    environment: Mapping[str, str] = field(default_factory=dict)
    on_line: Callable[[str], None] | None = None


class _Running:
    """One role's process, its failures in a row and when it may start again."""

    def __init__(self, role: Role, logs: Path | None) -> None:
        self.role = role
        self._logs = logs
        self.failures = 0
        self.settled = False
        self.started = 0.0
        self.start_at = 0.0
        self.process: subprocess.Popen[str] | None = None

    def start(self) -> None:
        """Start the process; its standard error goes to the log file, or to ours."""
        errors = None
        if self._logs is not None:
            private_folder(self._logs)
            errors = (self._logs / f"{self.role.name}.log").open("a", encoding="utf-8")
        try:
            self.process = subprocess.Popen(
                self.role.command,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE if self.role.on_line else errors,
                stderr=errors,
                text=True,
                env={**os.environ, **self.role.environment, PARENT: str(os.getpid())},
                start_new_session=True,  # Ctrl-C at the terminal is for the supervisor
            )
        finally:
            if errors is not None:
                errors.close()
        self.started = time.monotonic()
        if self.role.on_line is not None:
            threading.Thread(target=self._listen, args=(self.process, self.role.on_line), daemon=True).start()

    @staticmethod
    def _listen(process: subprocess.Popen[str], on_line: Callable[[str], None]) -> None:
        assert process.stdout is not None  # noqa: S101 - it was opened as a pipe
        with process.stdout:
            for line in process.stdout:
                on_line(line.rstrip("\n"))

    def last_words(self) -> str:
        if self._logs is None:
            return "see the lines above"
        file = self._logs / f"{self.role.name}.log"
        lines = file.read_text(encoding="utf-8", errors="replace").splitlines() if file.exists() else []
        return f"{lines[-1] if lines else 'it said nothing'} (see {file})"


class Supervisor:
    """Keeps roles running until told to stop.

    logs  folder for one log file a role; None: everything goes to our own standard error
    """

    def __init__(self, roles: Sequence[Role], logs: Path | None = None) -> None:
        self._running = [_Running(role, logs) for role in roles]

    def start(self) -> None:
        """Start all roles, in the order given."""
        for running in self._running:
            running.start()

    def watch(self, stop: threading.Event) -> None:
        """Restart what ends, until `stop`. Raises RoleFailedError when one does not stay up."""
        while not stop.wait(_POLL_S):
            for running in self._running:
                self._look_after(running)

    def pids(self) -> dict[str, int]:
        """Process id of each running role."""
        return {r.role.name: r.process.pid for r in self._running if r.process and r.process.poll() is None}

    def stop(self) -> None:
        """Ask all to stop, in the reverse order; insist after a while."""
        for running in reversed(self._running):
            if running.process is not None and running.process.poll() is None:
                running.process.terminate()
        deadline = time.monotonic() + _STOP_WITHIN_S
        for running in reversed(self._running):
            if running.process is None:
                continue
            try:
                running.process.wait(max(0.1, deadline - time.monotonic()))
            except subprocess.TimeoutExpired:
                log.warning("%s did not stop when asked: killed", running.role.name)
                running.process.kill()
                running.process.wait()

    def _look_after(self, running: _Running) -> None:
        if running.process is None:
            if time.monotonic() >= running.start_at:
                running.start()
            return
        code = running.process.poll()
        if code is None:
            return
        lasted_s = time.monotonic() - running.started
        running.settled |= lasted_s > _SETTLED_AFTER_S
        running.failures = 1 if lasted_s > _SETTLED_AFTER_S else running.failures + 1
        if code == _BAD_INPUT and not running.settled:
            raise RoleFailedError(f"{running.role.name} cannot use what it was given: {running.last_words()}")
        if running.failures >= _MOST_FAILURES:
            raise RoleFailedError(
                f"{running.role.name} ended {running.failures} times in a row, last with exit {code}: "
                f"{running.last_words()}"
            )
        log.error("%s ended by itself (exit %d); it is started again", running.role.name, code)
        running.start_at = time.monotonic() + min(0.25 * 2**running.failures, 30.0)
        running.process = None
