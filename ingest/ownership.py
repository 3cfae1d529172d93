"""One broker a folder: two servers on one folder of messages would ruin both.

A lock tells whether somebody looks after the folder. Where nobody does and a server still runs
there, its supervisor was killed; it is ended before a new one starts.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import signal
import time
from pathlib import Path
from typing import IO, Final

from ingest.errors import BrokerError

_END_WITHIN_S: Final = 10.0


class Ownership:
    """The right to run the broker of a folder, held by this process until released or ended."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._lock: IO[str] | None = None

    def take(self, command_part: str) -> None:
        """Take the folder, and end a server left over there. Taking it twice is taking it once.

        command_part  what the command line of such a server contains
        Raises BrokerError when another process looks after the folder.
        """
        if self._lock is not None:
            return
        lock = (self._folder / "lock").open("a")
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            lock.close()
            raise BrokerError(
                f"the broker of {self._folder} is run by another process: stop that one, or choose another data folder"
            ) from None
        self._lock = lock
        for ports in self._folder.glob("nats-server_*.ports"):
            pid = int(ports.stem.removeprefix("nats-server_"))
            if command_part in _command_of(pid):
                _end(pid)
            ports.unlink(missing_ok=True)

    def release(self) -> None:
        """Let others have it."""
        if self._lock is not None:
            self._lock.close()
            self._lock = None


def _command_of(pid: int) -> str:
    """The command line of a process; empty where there is none, or no way to tell."""
    try:
        return Path(f"/proc/{pid}/cmdline").read_bytes().replace(b"\0", b" ").decode(errors="replace")
    except OSError:
        return ""


def _end(pid: int) -> None:
    """Ask it to end, then insist. It is no child of ours, so its end is seen by looking."""
    with contextlib.suppress(ProcessLookupError):
        os.kill(pid, signal.SIGTERM)
        end = time.monotonic() + _END_WITHIN_S
        while time.monotonic() < end:
            time.sleep(0.05)
            os.kill(pid, 0)
        os.kill(pid, signal.SIGKILL)
