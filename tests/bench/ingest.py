"""How fast messages go from a broker's queue onto the disk, side by side in one run.

    .venv/bin/python -m tests.bench.ingest [--messages N] [--rounds N] [--json]

Each reader finds the same load waiting in its own session: one reading a message, QoS 1. Rows:

    each     what a user would write: on_message, json, INSERT, commit
    wal      the same with journal_mode WAL and synchronous NORMAL, which may lose the last commits
    ours     the collector, SQLite WAL and synchronous FULL
    drain    mosquitto_sub, which only receives and acknowledges
    nats     the collector again, from the bundled broker

Medians of the rounds. CPU is the reader's own, user and system.
"""

from __future__ import annotations

import argparse
import json
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from ingest.broker import COLLECTOR, DEVICE, Broker
from ingest.brokerurl import parse_url
from ingest.payload import Decoder
from ingest.session import Session
from ingest.sitefile import load_sites
from tests.conftest import find_free_port
from tests.mosquitto import Mosquitto

ROOT = Path(__file__).parent.parent.parent
SITES = Path(__file__).parent.parent.parent / "deploy" / "sites" / "skerrow-head.toml"
TOPIC = "ullage/skerrow-head/post-1/senml"
#: The readers that commit each message by itself get fewer: their time is the disk's.
FEWER = {"each": 20, "wal": 4}


class Speed(NamedTuple):
    """One reader, one round."""

    messages_s: float
    cpu_us: float


def main() -> None:
    """Run all readers and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--messages", type=int, default=20_000)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    rows = table(options.messages, options.rounds)
    if options.json:
        print(json.dumps(rows, indent=2))
        return
    for row in rows:
        print("  ".join(f"{name} {value}" for name, value in row.items()))


def table(messages: int, rounds: int) -> list[dict[str, object]]:
    """A row for each reader: messages a second, CPU, and ours as a ratio to it."""
    found: dict[str, list[Speed]] = {}
    for _ in range(rounds):
        with tempfile.TemporaryDirectory(dir=ROOT) as name:
            folder = Path(name)
            with Mosquitto(folder / "mosquitto", find_free_port()) as mosquitto:
                url, device_url = mosquitto.url(COLLECTOR), mosquitto.url(DEVICE)
                for reader in ("each", "wal", "ours", "drain"):
                    found.setdefault(reader, []).append(
                        _timed(reader, device_url, url, folder, messages // FEWER.get(reader, 1))
                    )
            with Broker(folder / "broker", port=0) as nats:
                found.setdefault("nats", []).append(
                    _timed("nats", nats.url(DEVICE), nats.url(COLLECTOR), folder, messages)
                )
    medians = {
        name: Speed(statistics.median(s.messages_s for s in speeds), statistics.median(s.cpu_us for s in speeds))
        for name, speeds in found.items()
    }
    ours = medians["ours"].messages_s
    return [
        {"reader": name, "messages_s": round(speed.messages_s), "cpu_us": round(speed.cpu_us, 1),
         "ours_to_it": round(ours / speed.messages_s, 2)}
        for name, speed in medians.items()
    ]  # fmt: skip


def _timed(reader: str, device_url: str, reader_url: str, folder: Path, messages: int) -> Speed:
    """Make the reader's session, fill it, let the reader drain it."""
    client_id = f"bench-{reader}"
    _subscribe(reader_url, client_id, reader)
    _publish(device_url, messages)
    command = _command(reader, reader_url, client_id, folder, messages)
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    begin = time.perf_counter()
    done = subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True, timeout=120)
    whole_s = time.perf_counter() - begin
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu_s = after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime
    if reader == "drain":
        return Speed(messages / whole_s, cpu_s / messages * 1e6)
    # Python's own start is not the reader's: it tells its time and CPU from its connecting on.
    told = json.loads(done.stdout.splitlines()[-1])
    return Speed(messages / told["wall_s"], told["cpu_s"] / messages * 1e6)


def _command(reader: str, url: str, client_id: str, folder: Path, messages: int) -> list[str]:
    if reader == "drain":
        broker = parse_url(url)
        return [
            "mosquitto_sub", "-h", broker.host, "-p", str(broker.port),
            "-u", broker.user or "", "-P", broker.password or "", "-c", "-i", client_id, "-q", "1",
            "-t", TOPIC, "-C", str(messages), "-N", "-F", "",
        ]  # fmt: skip
    return [
        sys.executable,
        "-m",
        "tests.bench.readers",
        reader,
        url,
        client_id,
        str(folder / f"{reader}.db"),
        str(messages),
    ]


def _subscribe(url: str, client_id: str, reader: str) -> None:
    """A persistent session that waits for messages, with the filters that the reader will use."""
    filters = [TOPIC] if reader in ("each", "wal", "drain") else Decoder(load_sites(SITES)).filters
    Session(parse_url(url), client_id, filters).close()


def _publish(url: str, messages: int) -> None:
    """Send the load, at the pace of the acknowledgements."""
    broker = parse_url(url)
    client = mqtt.Client(CallbackAPIVersion.VERSION2, "bench-device")
    if broker.user:
        client.username_pw_set(broker.user, broker.password)
    client.max_inflight_messages_set(500)
    acknowledged: list[int] = []
    client.on_publish = lambda *_: acknowledged.append(1)
    client.connect(broker.host, broker.port)
    client.loop_start()
    begin_s = int(time.time()) - messages - 1000
    for number in range(messages):
        client.publish(TOPIC, f'[{{"bn":"post-1/","n":"level","u":"m","t":{begin_s + number},"v":1.25}}]', 1)
        while number - len(acknowledged) > 2000:
            time.sleep(0.001)
    while len(acknowledged) < messages:
        time.sleep(0.01)
    client.disconnect()
    client.loop_stop()


if __name__ == "__main__":
    main()
