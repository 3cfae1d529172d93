"""What the fault tests are made of: brokers and a collector that can be killed, and what came through."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import NamedTuple, Protocol

from ingest.broker import Broker
from ingest.errors import StoreUnavailable
from ingest.reading import Reading
from ingest.store.locate import open_readings
from ingest.store.readings import ReadingStore
from tests.conftest import PREFIX, SITES, find_free_port
from tests.mosquitto import Mosquitto
from tests.publisher import Publisher

ROOT = Path(__file__).parents[2]
SITE, SENSOR = "skerrow-head", "post-1/level"
TOPIC = f"{PREFIX}/{SITE}/post-1/senml"
TOPICS = (f"{PREFIX}/#", "orchard/#")
WAIT_S = 60.0
#: The numbers of the messages become the seconds of their readings, from here on. [s]
_BEGIN_S = int(time.time()) - 10_000_000


class KillableBroker(Protocol):
    """What both kinds have in common."""

    def url(self, user: str) -> str: ...
    def start(self) -> None: ...
    def kill(self) -> None: ...


class KillableNats(Broker):
    """The bundled broker, to be killed. Nobody restarts it but the test."""

    def kill(self) -> None:
        pid = self.pid
        assert pid is not None
        os.kill(pid, signal.SIGKILL)
        until(lambda: self.pid is None, "end of the broker")


@contextmanager
def running_broker(kind: str, folder: Path) -> Iterator[KillableBroker]:
    """A broker of the kind `nats` or `mosquitto`; NATS repeats itself sooner than in use, so that tests are short."""
    if kind == "mosquitto":
        with Mosquitto(folder / "mosquitto", find_free_port()) as mosquitto:
            yield mosquitto
    else:
        with KillableNats(folder / "broker", port=find_free_port(), topics=TOPICS, ack_wait_s=1) as nats:
            yield nats


def until(condition: Callable[[], bool], what: str, within_s: float = WAIT_S) -> None:
    """Wait for it. Raises AssertionError when it does not come."""
    end = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < end, f"no {what} within {within_s:.0f} s"
        time.sleep(0.01)


class Collecting:
    """The ingest role as a process with its own data folder, and a look at what it stored.

    options  of role_under_test, beside --sites and --data
    """

    def __init__(self, data: Path, *options: str, readings: str | None = None, log: Path | None = None) -> None:
        self.data = data
        self.log = log or data.parent / "collector.log"
        self._location = readings or str(data / "readings.db")
        more = ("--readings", readings) if readings else ()
        module = "tests.faults.role_under_test"
        self._command = [sys.executable, "-m", module, "--sites", str(SITES), "--data", str(data), *options, *more]
        self._store: ReadingStore | None = None
        self.start()

    def start(self) -> None:
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(self._command, stdout=log, stderr=subprocess.STDOUT, cwd=ROOT)

    def kill(self) -> None:
        """As when the power goes, but for the disk."""
        self.process.send_signal(signal.SIGKILL)
        assert self.process.wait(WAIT_S) == -signal.SIGKILL, self.words()

    def finish(self) -> int:
        """End it in order; its exit status."""
        self.process.terminate()
        return self.process.wait(WAIT_S)

    @property
    def store(self) -> ReadingStore:
        """What the role stores, to look at. Raises StoreUnavailable before it is there."""
        if self._store is None:
            self._store = open_readings(self._location, data=self.data)
        return self._store

    def let_go(self) -> None:
        """Close what we look through."""
        if self._store is not None:
            self._store.close()
            self._store = None

    def stored(self) -> int:
        """How many readings are stored; 0 while nobody can say."""
        try:
            return self.store.counts()["readings"]
        except StoreUnavailable:
            return 0

    def until_more(self, at_least: int = 1) -> None:
        """Wait until so many more readings are stored than now."""
        before = self.stored()
        self.until(lambda: self.stored() >= before + at_least, "progress")

    def until(self, condition: Callable[[], bool], what: str) -> None:
        try:
            until(condition, what)
        except AssertionError as error:
            raise AssertionError(f"{error}; the collector said: {self.words()}") from None

    def until_said(self, words: str, times: int = 1) -> None:
        self.until(lambda: self.log.exists() and self.log.read_text(errors="replace").count(words) >= times, words)

    def until_collecting(self) -> None:
        self.until_said("collecting from")

    def words(self) -> str:
        return self.log.read_text(errors="replace")[-2000:] if self.log.exists() else ""

    def readings(self) -> list[Reading]:
        """Every reading of the level, good or not."""
        return self.store.range(SITE, SENSOR, 0, 10**15, limit=10**9, usable=False)

    def __enter__(self) -> Collecting:
        return self

    def __exit__(
        self, _kind: type[BaseException] | None, _error: BaseException | None, _tb: TracebackType | None
    ) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        self.let_go()


@contextmanager
def publishing(url: str, rate: float, payload: Callable[[int], bytes] | None = None) -> Iterator[Publisher]:
    """A device that sends level readings, the number of each its second."""
    publisher = Publisher(url, TOPIC, payload or _payload, rate)
    try:
        yield publisher
    finally:
        publisher.close()


def _payload(number: int) -> bytes:
    return b'[{"n":"level","u":"m","v":1.0,"t":%d}]' % (_BEGIN_S + number)


def number_of(reading: Reading) -> int:
    """The number of the message that the reading came in."""
    return reading.time_ms // 1000 - _BEGIN_S


class Outcome(NamedTuple):
    """What became of the messages that the broker had acknowledged to the publisher.

    acknowledged  how many they were
    missing       their numbers, as far as they are not stored
    twice         readings stored more often than sent
    strange       readings that were never sent, rejects
    """

    acknowledged: int
    missing: set[int]
    twice: int
    strange: int


def settle(
    publisher: Publisher,
    collecting: Collecting,
    number: Callable[[Reading], int] = number_of,
    quiet_s: float = 12.0,
) -> Outcome:
    """Let the publisher and the collector finish, then compare.

    number   from a reading to the number of its message
    quiet_s  when nothing has come for so long, nothing will: longer than the broker takes to repeat itself
    """
    acknowledged = publisher.finish()
    stored, since = -1, time.monotonic()
    while not _all_there(collecting, acknowledged, number) and time.monotonic() - since < quiet_s:
        now_stored = collecting.stored()
        if now_stored != stored:
            stored, since = now_stored, time.monotonic()
        time.sleep(0.05)
    assert collecting.finish() == 0, collecting.words()
    found = Counter(number(reading) for reading in collecting.readings())
    strange = sum(1 for one in found if not 0 <= one < publisher.sent) + collecting.store.counts()["rejects"]
    return Outcome(len(acknowledged), acknowledged - set(found), sum(found.values()) - len(found), strange)


def _all_there(collecting: Collecting, acknowledged: set[int], number: Callable[[Reading], int]) -> bool:
    enough = collecting.stored() >= len(acknowledged)
    return enough and acknowledged <= {number(reading) for reading in collecting.readings()}
