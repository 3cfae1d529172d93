"""The faults, played: each takes a folder and how often, and tells what became of the messages."""

from __future__ import annotations

import json
import os
import random
import signal
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import httpx

from ingest.broker import COLLECTOR, DEVICE, Broker
from ingest.continuity import renew_session
from ingest.errors import BrokerError
from ingest.payload import Decoder
from ingest.reading import Reading
from ingest.role import CLIENT_ID
from ingest.sitefile import load_sites
from tests.conftest import PREFIX, SITES, find_free_port
from tests.faults.disks import small_disk
from tests.faults.rig import TOPICS, Collecting, KillableNats, Outcome, publishing, running_broker, settle, until
from tests.ingest.store.answering import Answer, Answering, Asked
from tests.ingest.store.influxd import PASSWORD, USER, Influxd
from tests.publisher import Publisher

#: Messages a second: enough that every moment has some in flight.
_RATE = 600.0
#: Before each commit, where a kill shall fall between receiving and committing.
_COMMIT_S = 0.03
#: Mosquitto's shortest interval of saving, autosave_interval 1, comes out as this.
_MOSQUITTO_SAVES_S = 2.0
#: What the kernel of a killed process may still hold of what it had sent.
_IN_KERNEL_S = 0.1


class Played(NamedTuple):
    """may_miss: whether what is missing is what must be expected."""

    outcome: Outcome
    note: str
    may_miss: bool = False


Play = Callable[[Path, int], Played]


def kill_collector(kind: str) -> Play:
    """The collector dies at any moment of receiving, committing, acknowledging."""

    def play(folder: Path, kills: int) -> Played:
        moment = random.Random(1)
        with running_broker(kind, folder) as broker:
            slow = ("--broker", broker.url(COLLECTOR), "--commit-s", str(_COMMIT_S))
            with Collecting(folder / "data", *slow) as collecting:
                collecting.until_collecting()
                with publishing(broker.url(DEVICE), _RATE) as publisher:
                    for _ in range(kills):
                        collecting.until_more()
                        time.sleep(moment.uniform(0, 0.1))
                        collecting.kill()
                        collecting.start()
                    return Played(settle(publisher, collecting), f"commits slowed by {_COMMIT_S:g} s")

    return play


def kill_broker(kind: str) -> Play:
    """The broker dies while messages flow through it to the collector."""

    def play(folder: Path, kills: int) -> Played:
        moment = random.Random(2)
        with running_broker(kind, folder) as broker:
            slow = ("--broker", broker.url(COLLECTOR), "--commit-s", str(_COMMIT_S))
            with Collecting(folder / "data", *slow) as collecting:
                collecting.until_collecting()
                _let_save(kind)
                killed: list[float] = []
                with publishing(broker.url(DEVICE), _RATE) as publisher:
                    for kill in range(kills):
                        collecting.until_said("collecting from", kill + 1)
                        collecting.until_more()
                        time.sleep(moment.uniform(0, 0.3))
                        broker.kill()
                        killed.append(time.monotonic())
                        broker.start()
                    outcome = settle(publisher, collecting)
                    return _judged(outcome, kind, publisher.acknowledged, killed, _IN_KERNEL_S)

    return play


def kill_broker_alone(kind: str) -> Play:
    """The broker dies while it alone has the messages."""

    def play(folder: Path, kills: int) -> Played:
        moment = random.Random(3)
        killed: list[float] = []
        with running_broker(kind, folder) as broker:
            with Collecting(folder / "data", "--broker", broker.url(COLLECTOR)) as collecting:
                collecting.until_collecting()
                _let_save(kind)
                assert collecting.finish() == 0
                with publishing(broker.url(DEVICE), _RATE) as publisher:
                    for _ in range(kills):
                        before = len(publisher.acknowledged)
                        until(lambda before=before: len(publisher.acknowledged) > before, "acknowledgement")  # type: ignore[misc]
                        time.sleep(moment.uniform(0, 0.5) + (_MOSQUITTO_SAVES_S if kind == "mosquitto" else 0))
                        broker.kill()
                        killed.append(time.monotonic())
                        broker.start()
                    publisher.finish()
                    collecting.start()
                    outcome = settle(publisher, collecting, quiet_s=4.0 if kind == "mosquitto" else 12.0)
                    return _judged(outcome, kind, publisher.acknowledged, killed, 1.5 * _MOSQUITTO_SAVES_S)

    return play


def _let_save(kind: str) -> None:
    """A session that Mosquitto never saved is not there after a kill."""
    if kind == "mosquitto":
        time.sleep(1.5 * _MOSQUITTO_SAVES_S)


def _judged(
    outcome: Outcome, kind: str, acknowledged: dict[int, float], killed: list[float], may_lose_s: float
) -> Played:
    """Mosquitto may lose what it acknowledged in so short a time before it was killed. [s] NATS may not."""
    if not outcome.missing:
        return Played(outcome, "")
    ages = [min((k - acknowledged[n] for k in killed if k >= acknowledged[n]), default=1e9) for n in outcome.missing]
    note = f"missing: acknowledged in the last {max(ages):.2f} s before a kill"
    return Played(outcome, note, may_miss=kind == "mosquitto" and max(ages) < may_lose_s)


def kill_both(folder: Path, kills: int) -> Played:
    """The role with its bundled broker: both die at once, and the role brings the broker back."""
    moment = random.Random(4)
    port, data = find_free_port(), folder / "data"
    slow = ("--port", str(port), "--commit-s", str(_COMMIT_S))
    with Collecting(data, *slow) as collecting:
        collecting.until_collecting()
        url = Broker(data / "broker", port=port).url(DEVICE)
        with publishing(url, _RATE) as publisher:
            for _ in range(kills):
                collecting.until_more()
                time.sleep(moment.uniform(0, 0.2))
                os.kill(_bundled_pid(data / "broker"), signal.SIGKILL)
                collecting.kill()
                collecting.start()
            return Played(settle(publisher, collecting, quiet_s=25.0), "`ullage ingest` with its bundled broker")


def _bundled_pid(folder: Path) -> int:
    newest = max(folder.glob("nats-server_*.ports"), key=lambda file: file.stat().st_mtime_ns)
    return int(newest.stem.rpartition("_")[2])


def kill_influxd(folder: Path, kills: int) -> Played:
    """The database dies in the middle of writes."""
    moment = random.Random(5)
    (folder / "influxd").mkdir()
    with running_broker("nats", folder) as broker, Influxd(folder / "influxd") as influxd:
        database = influxd.location("ullage")
        with Collecting(folder / "data", "--broker", broker.url(COLLECTOR), readings=database) as collecting:
            collecting.until_collecting()
            with publishing(broker.url(DEVICE), _RATE) as publisher:
                for _ in range(kills):
                    collecting.until_more()
                    time.sleep(moment.uniform(0, 0.1))
                    influxd.kill()
                    time.sleep(moment.uniform(0, 0.3))
                    influxd.start()
                return Played(settle(publisher, collecting), "influxd 1.6.7")


def full_disk(folder: Path, times: int) -> Played:
    """No room for a while; then there is room again, and nobody restarts anything."""
    with running_broker("nats", folder) as broker, small_disk(folder / "disk") as disk:
        log = folder / "collector.log"
        with Collecting(disk.folder / "data", "--broker", broker.url(COLLECTOR), log=log) as collecting:
            collecting.until_collecting()
            with publishing(broker.url(DEVICE), _RATE) as publisher:
                for time_ in range(1, times + 1):
                    collecting.until_more()
                    disk.fill(collecting.process.pid)
                    collecting.until_said("trying again", time_)
                    time.sleep(1.0)
                    disk.make_room(collecting.process.pid)
                outcome = settle(publisher, collecting, quiet_s=35.0)
                return Played(outcome, f"{disk.kind}; resumed by itself")


def full_broker(folder: Path, times: int) -> Played:
    """The collector is away until the broker is full; then it comes, and device and broker go on by themselves."""
    bounds = {"topics": TOPICS, "ack_wait_s": 1, "max_file_bytes": 400_000}
    with KillableNats(folder / "broker", port=find_free_port(), **bounds) as broker:  # type: ignore[arg-type]
        with Collecting(folder / "data", "--broker", broker.url(COLLECTOR)) as collecting:
            collecting.until_collecting()
            with publishing(broker.url(DEVICE), 3 * _RATE) as publisher:
                for time_ in range(1, times + 1):
                    collecting.until_said("collecting from", time_)
                    collecting.until_more()
                    assert collecting.finish() == 0
                    _until_no_more(publisher)
                    collecting.start()
                return Played(settle(publisher, collecting), "max_file 400 kB; nothing more is acknowledged")


def full_broker_disk(folder: Path, times: int) -> Played:
    """No room on the broker's disk for a while. The server needs a new start then, and its supervisor knows."""
    with small_disk(folder / "disk") as disk, _renewing_nats(disk.folder / "broker") as broker:
        broker.supervise(_unexpected)
        with Collecting(folder / "data", "--broker", broker.url(COLLECTOR)) as collecting:
            collecting.until_collecting()
            with publishing(broker.url(DEVICE), _RATE) as publisher:
                for _ in range(times):
                    collecting.until_more()
                    disk.fill(0)
                    _until_no_more(publisher)
                    disk.make_room(0)
                    count = len(publisher.acknowledged)
                    until(lambda count=count: len(publisher.acknowledged) > count, "acknowledgement")  # type: ignore[misc]
                return Played(settle(publisher, collecting), f"{disk.kind}; the supervisor starts it anew")


def _renewing_nats(folder: Path) -> KillableNats:
    """As the role runs it: at each start the collector's session is put in order first."""
    filters = Decoder(load_sites(SITES), PREFIX).filters

    def renew(broker: Broker) -> None:
        renew_session(broker, COLLECTOR, CLIENT_ID, filters)

    return KillableNats(folder, port=find_free_port(), topics=TOPICS, ack_wait_s=1, before_open=renew)


def _until_no_more(publisher: Publisher) -> None:
    """Until nothing has been acknowledged for a second."""
    count, since = -1, time.monotonic()
    while time.monotonic() - since < 1.0:
        if len(publisher.acknowledged) != count:
            count, since = len(publisher.acknowledged), time.monotonic()
        time.sleep(0.05)


def _unexpected(error: BrokerError) -> None:
    raise error


def read_only_disk(folder: Path, times: int) -> Played:
    """The collector is killed and finds its file read-only: it ends and says so, until it is not."""
    with running_broker("nats", folder) as broker, small_disk(folder / "disk") as disk:
        log = folder / "collector.log"
        with Collecting(disk.folder / "data", "--broker", broker.url(COLLECTOR), log=log) as collecting:
            collecting.until_collecting()
            with publishing(broker.url(DEVICE), _RATE) as publisher:
                for _ in range(times):
                    collecting.until_more()
                    collecting.kill()
                    collecting.let_go()
                    disk.read_only(True)
                    collecting.start()
                    assert collecting.process.wait(20) == 1, collecting.words()
                    disk.read_only(False)
                    collecting.start()
                return Played(settle(publisher, collecting), f"{disk.kind}; it ends, saying what to do")


def unavailable_database(folder: Path, seconds: int) -> Played:
    """What stands before the database answers 503 for so many seconds."""
    (folder / "influxd").mkdir()
    away = False

    def answer(asked: Asked) -> Answer:
        if away:
            return Answer(503, b'{"error": "try later"}')
        headers = {"Authorization": asked.authorization, "Content-Type": "application/x-www-form-urlencoded"}
        said = httpx.request(asked.method, influxd.url + asked.path, content=asked.body, headers=headers, timeout=30)
        return Answer(said.status_code, said.content)

    with running_broker("nats", folder) as broker, Influxd(folder / "influxd") as influxd:
        influxd.location("ullage")
        with Answering(answer).running() as front:
            there = f"http://{USER}:{PASSWORD.replace(' ', '%20')}@{front.url.removeprefix('http://')}/?db=ullage"
            with Collecting(folder / "data", "--broker", broker.url(COLLECTOR), readings=there) as collecting:
                collecting.until_collecting()
                with publishing(broker.url(DEVICE), _RATE / 4) as publisher:
                    collecting.until_more()
                    away = True
                    collecting.until_said("trying again")
                    time.sleep(seconds)
                    away = False
                    outcome = settle(publisher, collecting, quiet_s=35.0)
                    return Played(outcome, f"for {seconds} s; resumed by itself")


def stepping_clock(folder: Path, steps: int) -> Played:
    """The collector's clock goes an hour forwards and back; the readings have no time of their own."""
    clock = folder / "clock"
    clock.write_text("0")

    def payload(number: int) -> bytes:
        return json.dumps([{"n": "level", "u": "m", "v": number / 1e6}]).encode()

    def number(reading: Reading) -> int:
        return round(reading.value * 1e6)

    with running_broker("nats", folder) as broker:
        with Collecting(folder / "data", "--broker", broker.url(COLLECTOR), "--clock", str(clock)) as collecting:
            collecting.until_collecting()
            with publishing(broker.url(DEVICE), _RATE / 4, payload) as publisher:
                for step in range(steps):
                    clock.write_text("0" if step % 2 else "3600")
                    collecting.until_more(100)
                outcome = settle(publisher, collecting, number)
                late = collecting.store.latest("skerrow-head", round(time.time() * 1000))["post-1/level"]
                behind_s = time.time() - late.time_ms / 1000
                assert behind_s < 10, f"the newest usable reading is {behind_s:.0f} s old"
                return Played(outcome, "of the collector; readings dated by arrival")
