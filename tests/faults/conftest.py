"""The ingest role as a process that can be killed, and a device that never stops sending."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from ingest.broker import Broker
from ingest.errors import BrokerError
from ingest.reading import Reading
from ingest.store.sqlite import SqliteStore

TOPIC = "ullage/skerrow-head/post-1/senml"
WAIT_S = 30.0
ROOT = Path(__file__).parents[2]


class IngestProcess:
    """`python -m ingest.role` with its own data folder, on the disk that is there or on a slow one."""

    def __init__(self, data: Path, sites: Path, broker_url: str, *, slow_disk: bool = False) -> None:
        self.data = data
        if slow_disk:
            script = str(Path(__file__).with_name("slow_disk_ingest.py"))
            self._command = [sys.executable, script, str(sites), str(data), broker_url]
        else:
            options = ["--sites", str(sites), "--data", str(data), "--broker", broker_url]
            self._command = [sys.executable, "-m", "ingest.role", *options]
        self.log = data.parent / "ingest.log"
        self.process = self._started()
        self._store: SqliteStore | None = None

    @property
    def store(self) -> SqliteStore:
        """What the role stores, to look at. Only once it is collecting."""
        if self._store is None:
            self._store = SqliteStore(self.data / "readings.db", writer=False)
        return self._store

    def _started(self) -> subprocess.Popen[bytes]:
        with self.log.open("ab") as log:
            return subprocess.Popen(
                self._command,
                stdout=log,
                stderr=subprocess.STDOUT,
                cwd=ROOT,
                env={**os.environ, "PYTHONPATH": str(ROOT)},
            )

    def until(self, condition: Callable[[], bool], what: str) -> None:
        end = time.monotonic() + WAIT_S
        while not condition():
            if time.monotonic() > end:
                pytest.fail(f"no {what}: {self.log.read_text(errors='replace')[-2000:]}")
            time.sleep(0.02)

    def until_collecting(self) -> None:
        self.until(lambda: b"collecting from" in self.log.read_bytes(), "collector")

    def kill(self) -> None:
        """As when the power goes, but for the disk."""
        self.process.send_signal(signal.SIGKILL)
        assert self.process.wait(WAIT_S) == -signal.SIGKILL

    def restart(self) -> None:
        self.process = self._started()

    def finish(self) -> int:
        self.process.terminate()
        return self.process.wait(WAIT_S)

    def stored(self) -> int:
        return self.store.counts()["readings"]

    def all_readings(self) -> list[Reading]:
        return self.store.range("skerrow-head", "post-1/level", 0, 10**15, limit=10**9, usable=False)

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        if self._store is not None:
            self._store.close()


class Stream:
    """Sends one reading a message, each a second later than the last, as fast as it is acknowledged.

    rate  messages a second at most
    """

    def __init__(self, device: Any, rate: float = 2_000) -> None:
        self._device = device
        self._pause_s = 20 / rate
        self._begin_s = int(time.time()) - 10_000_000
        self._waiting: dict[int, int] = {}
        self._acknowledged: set[int] = set()
        self.sent: set[int] = set()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        while not self._stop.wait(self._pause_s):
            self._count()
            if len(self._waiting) > 2_000:
                continue  # the broker is away: no need to pile up
            for _ in range(20):
                second = self._begin_s + len(self.sent)
                payload = json.dumps([{"n": "level", "u": "m", "v": 1.0, "t": second}])
                self.sent.add(second * 1000)
                self._waiting[self._device.publish(TOPIC, payload).mid] = second * 1000

    def _count(self) -> None:
        while self._device.acknowledged:
            self._acknowledged.add(self._waiting.pop(self._device.acknowledged.popleft()))

    def stop(self) -> None:
        """Send no more."""
        self._stop.set()
        self._thread.join(WAIT_S)

    def finish(self) -> set[int]:
        """Stop sending, wait for the last answers; the instants that the broker acknowledged. [UTC ms]"""
        self.stop()
        end = time.monotonic() + WAIT_S
        while self._waiting and time.monotonic() < end:
            time.sleep(0.05)
            self._count()
        return self._acknowledged


@pytest.fixture
def ingest_process(tmp_path: Path, sites_folder: Path) -> Iterator[Callable[..., IngestProcess]]:
    """Starts the role as a process; killed at the end."""
    started: list[IngestProcess] = []

    def start(broker_url: str, *, slow_disk: bool = False) -> IngestProcess:
        started.append(IngestProcess(tmp_path / "data", sites_folder, broker_url, slow_disk=slow_disk))
        return started[-1]

    yield start
    for process in started:
        process.close()


@pytest.fixture
def stream() -> Iterator[Callable[..., Stream]]:
    """Lets a device send without end; it ends with the test, also with one that fails."""
    started: list[Stream] = []

    def start(device: Any, rate: float = 2_000) -> Stream:
        started.append(Stream(device, rate))
        return started[-1]

    yield start
    for sending in started:
        sending.stop()


@pytest.fixture
def killable_broker(tmp_path: Path, free_port: int) -> Iterator[Broker]:
    """The bundled broker under supervision: kill it and it comes back."""
    given_up: list[BrokerError] = []
    with Broker(tmp_path / "broker", port=free_port, topics=("ullage/#", "orchard/#"), ack_wait_s=2) as broker:
        broker.supervise(given_up.append)
        yield broker
    assert given_up == []
