"""Debian's Mosquitto with the settings of deploy/mosquitto, in a folder and on a loopback port of its own."""

from __future__ import annotations

import getpass
import shutil
import signal
import socket
import subprocess
import time
from pathlib import Path

from ingest.broker import COLLECTOR, DEVICE
from tests.running import Running

_START_S = 10.0
_SETTINGS = """user {user}
listener {port} 127.0.0.1
allow_anonymous false
password_file {folder}/passwords
persistence true
persistence_location {folder}/
autosave_interval 1
max_inflight_messages 1000
max_queued_messages {queued}
set_tcp_nodelay true
sys_interval 1
"""


class Mosquitto(Running):
    """Start it, kill it, start it again: what it saved is there.

    queued  most messages that it keeps for one session; beyond it they are dropped
    """

    host = "127.0.0.1"

    def __init__(self, folder: Path, port: int, queued: int = 1_000_000) -> None:
        self.port = port
        self._folder = folder
        self._process: subprocess.Popen[bytes] | None = None
        folder.mkdir(exist_ok=True)
        (folder / "passwords").touch(0o600)
        for user in (COLLECTOR, DEVICE):
            command = ["mosquitto_passwd", "-b", str(folder / "passwords"), user, self.password(user)]
            subprocess.run(command, check=True)
        settings = _SETTINGS.format(user=getpass.getuser(), port=port, folder=folder, queued=queued)
        (folder / "mosquitto.conf").write_text(settings)

    @staticmethod
    def password(user: str) -> str:
        return f"{user}-secret"

    def url(self, user: str) -> str:
        """How the collector or a device reaches it."""
        return f"mqtt://{user}:{self.password(user)}@{self.host}:{self.port}"

    def start(self) -> None:
        """Start it, and return when it takes connections."""
        program = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
        with (self._folder / "log").open("ab") as log:
            command = [program, "-c", str(self._folder / "mosquitto.conf")]
            self._process = subprocess.Popen(command, stdout=log, stderr=subprocess.STDOUT, cwd=self._folder)
        end = time.monotonic() + _START_S
        while self._process.poll() is None and time.monotonic() < end:
            try:
                socket.create_connection((self.host, self.port), timeout=1).close()
            except OSError:
                time.sleep(0.01)
            else:
                return
        raise AssertionError(f"no broker on port {self.port}: {(self._folder / 'log').read_text(errors='replace')}")

    def kill(self) -> None:
        """As when the power goes, but for the disk."""
        assert self._process is not None
        self._process.send_signal(signal.SIGKILL)
        self._process.wait(10)

    def stop(self) -> None:
        """End it in order."""
        if self._process is not None and self._process.poll() is None:
            self._process.terminate()
            self._process.wait(10)
