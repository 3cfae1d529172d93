"""The ingest role for minutes at an even rate: memory, and share of one core; then idle.

    .venv/bin/python -m tests.bench.soak [--minutes 10] [--rate 1000] [--broker nats|mosquitto|both]
        [--command role|cli] [--json]

One reading a message, QoS 1, each with its own time, from a publisher in this process. `role` is
`python -m ingest.role`, `cli` is `python -m api.cli ingest`. Memory is resident, in MB (10^6 bytes):
at the start (ten seconds in), its peak, at the end. CPU is the role's own, user and system, as a share
of one core; `idle` over 30 s without messages. `behind` is what was not yet stored when the last was sent.

With a rate that nothing can keep, such as 100000, `messages_s` is what goes through from device to
broker while the role collects, at the pace of the acknowledgements.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

import psutil

from ingest.broker import COLLECTOR, DEVICE
from ingest.role import READINGS_FILE
from ingest.store.sqlite import SqliteStore
from tests.faults.rig import ROOT, publishing, running_broker, until

SITES = ROOT / "deploy" / "sites"
_SETTLED_S = 10.0
_IDLE_S = 30.0
_COMMANDS = {"role": ["ingest.role", "--sites"], "cli": ["api.cli", "ingest"]}


class Soak(NamedTuple):
    """What one run of the role took."""

    broker: str
    command: str
    minutes: float
    messages_s: float
    stored: int
    behind: int
    rss_start_mb: float
    rss_peak_mb: float
    rss_end_mb: float
    cpu_share: float
    idle_cpu_share: float


class Role:
    """The role as a process, watched."""

    def __init__(self, command: str, url: str, data: Path, log: Path) -> None:
        module, *arguments = _COMMANDS[command]
        line = [sys.executable, "-m", module, *arguments, str(SITES), "--data", str(data), "--broker", url]
        with log.open("wb") as out:
            self._process = subprocess.Popen(line, cwd=ROOT, stdout=out, stderr=subprocess.STDOUT)
        self._watched = psutil.Process(self._process.pid)
        self.log = log

    @property
    def rss_mb(self) -> float:
        return round(float(self._watched.memory_info().rss) / 1e6, 1)

    @property
    def peak_mb(self) -> float:
        """The most that the kernel saw."""
        status = Path(f"/proc/{self._process.pid}/status").read_text()
        kib = next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmHWM"))
        return round(kib * 1024 / 1e6, 1)

    @property
    def cpu_s(self) -> float:
        times = self._watched.cpu_times()
        return float(times.user + times.system)

    def stop(self) -> None:
        self._process.terminate()
        self._process.wait(30)


def soak(kind: str, command: str, minutes: float, rate: float, folder: Path) -> Soak:
    """Run it through one kind of broker."""
    with running_broker(kind, folder) as broker:
        role = Role(command, broker.url(COLLECTOR), folder / "data", folder / "role.log")
        try:
            until(lambda: "collecting from" in role.log.read_text(), "collector")
            with publishing(broker.url(DEVICE), rate) as publisher:
                time.sleep(min(_SETTLED_S, minutes * 60 / 4))
                start_mb, cpu_s, begin, sent = role.rss_mb, role.cpu_s, time.monotonic(), publisher.sent
                while time.monotonic() - begin < minutes * 60:
                    time.sleep(0.5)
                took = time.monotonic() - begin
                share = (role.cpu_s - cpu_s) / took
                speed = (publisher.sent - sent) / took
                store = SqliteStore(folder / "data" / READINGS_FILE, writer=False)
                behind = publisher.sent - store.counts()["readings"]
                acknowledged = len(publisher.finish())
                until(lambda: store.counts()["readings"] >= acknowledged, "rest")
            end_mb, stored = role.rss_mb, store.counts()["readings"]
            store.close()
            time.sleep(2.0)
            cpu_s = role.cpu_s
            time.sleep(_IDLE_S)
            idle = (role.cpu_s - cpu_s) / _IDLE_S
            return Soak(
                kind, command, minutes, round(speed, 1), stored, behind, start_mb, role.peak_mb, end_mb,
                round(share, 3), round(idle, 4),
            )  # fmt: skip
        finally:
            role.stop()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--rate", type=float, default=1000.0)
    parser.add_argument("--broker", choices=["nats", "mosquitto", "both"], default="both")
    parser.add_argument("--command", choices=list(_COMMANDS), default="role")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    rows = []
    for kind in ["nats", "mosquitto"] if options.broker == "both" else [options.broker]:
        with tempfile.TemporaryDirectory(dir=ROOT) as folder:
            rows.append(soak(kind, options.command, options.minutes, options.rate, Path(folder)))
        if not options.json:
            print("  ".join(f"{name} {value}" for name, value in rows[-1]._asdict().items()), flush=True)
    if options.json:
        print(json.dumps([row._asdict() for row in rows], indent=2))


if __name__ == "__main__":
    main()
