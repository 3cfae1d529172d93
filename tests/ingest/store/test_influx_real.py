"""The InfluxDB store on a real influxd, and under a collector: limits, refusals, kills."""

from __future__ import annotations

import json
import threading
import time
from pathlib import Path

import pytest

from ingest.brokerurl import parse_url
from ingest.collector import Collector
from ingest.errors import StoreRefused, StoreUnavailable
from ingest.instants import HOUR_MS
from ingest.payload import Decoder
from ingest.quality import Checks
from ingest.reading import Reading
from ingest.site import Site
from ingest.store.influx import InfluxStore
from ingest.store.influx_place import parse_place
from tests.conftest import ConnectDevice, RunningBroker
from tests.ingest.store.answering import Answer, Answering, Asked, kindly
from tests.ingest.store.conftest import OpenInflux
from tests.ingest.store.influxd import Influxd

T = 1_772_366_400_000
SENSOR = "post-1/level"
WAIT_S = 20.0
KILLS = 3


def level(offset_ms: int, value: float = 1.0) -> Reading:
    return Reading("a", T + offset_ms, SENSOR, value)


def test_more_rows_than_one_chunk_holds(influxd: Influxd, influx_location: str, open_influx: OpenInflux) -> None:
    store = open_influx(influx_location)
    store.write([level(i, float(i)) for i in range(25_000)])
    found = store.range("a", SENSOR, T, T + 25_000)
    assert [reading.value for reading in found] == [float(i) for i in range(25_000)]
    assert len(store.range("a", SENSOR, T, T + 25_000, limit=12_345)) == 12_345


def test_a_real_database_refuses_what_it_cannot_hold_and_keeps_the_rest(
    influx_location: str, open_influx: OpenInflux
) -> None:
    store = open_influx(influx_location)
    far = level(300 * 365 * 24 * HOUR_MS)  # beyond what 64 bits of nanoseconds can date
    result = store.write([level(0), far, level(1)])
    assert (result.accepted, [reject.time_ms for reject in result.rejected]) == (2, [far.time_ms])
    assert store.counts() == {"readings": 2, "rejects": 1}


def test_a_real_database_that_does_not_know_us(influxd: Influxd, influx_location: str, open_influx: OpenInflux) -> None:
    with pytest.raises(StoreRefused, match="401"):
        open_influx(influx_location.replace("influx%20secret", "wrong"))
    with pytest.raises(StoreRefused, match="not found"):
        open_influx(f"{influx_location}&hourly=nowhere")
    influxd.ask("CREATE USER guest WITH PASSWORD 'guest'")
    with pytest.raises(StoreRefused):
        open_influx(influx_location.replace("ullage:influx%20secret", "guest:guest"))


def test_readings_go_only_when_marks_and_counts_say_that_their_roll_up_is_done(
    influx_location: str, open_influx: OpenInflux, tmp_path: Path
) -> None:
    store = open_influx(influx_location)
    other = InfluxStore(parse_place(influx_location, {}), tmp_path / "other-notes.db", writer=True)
    store.write([level(0), level(HOUR_MS), level(2 * HOUR_MS)])
    store.roll_up(T + 3 * HOUR_MS)
    store.write([level(0, 2.0)])  # as many as before, but another: only the mark tells
    other.write([level(HOUR_MS + 1)])  # the mark is with the other collector: only the count tells
    assert store.prune(T + 3 * HOUR_MS) == 1
    assert [reading.time_ms - T for reading in store.range("a", SENSOR, 0, 10 * T)] == [0, HOUR_MS, HOUR_MS + 1]
    assert other.roll_up(T + 3 * HOUR_MS) == store.roll_up(T + 3 * HOUR_MS) == 1
    assert store.prune(T + 3 * HOUR_MS) == 3
    other.close()


def test_nothing_that_write_returned_for_is_lost_when_the_database_is_killed(tmp_path: Path) -> None:
    folder = tmp_path / "influxd"
    folder.mkdir()
    with Influxd(folder) as server:
        location = server.location("killed")
        store = InfluxStore(parse_place(location, {}), tmp_path / "notes.db", writer=True)
        acknowledged: list[Reading] = []
        for kill in range(KILLS):
            stop, written = threading.Event(), threading.Event()

            def write(first: int, stop: threading.Event = stop, written: threading.Event = written) -> None:
                number = first
                while not stop.is_set():
                    batch = [level(number * 1000 + i, float(i)) for i in range(200)]
                    try:
                        store.write(batch)
                    except StoreUnavailable:
                        continue
                    acknowledged.extend(batch)
                    number += 1
                    written.set()

            writer = threading.Thread(target=write, args=(kill * 100_000,))
            writer.start()
            assert written.wait(WAIT_S)
            server.kill()
            written.clear()
            server.start()
            assert written.wait(WAIT_S)
            stop.set()
            writer.join(WAIT_S)
        kept = {reading.time_ms: reading for page in range(KILLS) for reading in _all(store, page)}
        store.close()
    assert len(acknowledged) >= 6 * 200
    assert [reading for reading in acknowledged if kept.get(reading.time_ms) != reading] == []


def _all(store: InfluxStore, page: int) -> list[Reading]:
    start = T + page * 100_000_000
    return store.range("a", SENSOR, start, start + 100_000_000, limit=10**6)


class Collecting:
    """A collector on an InfluxDB that answers as told, in a thread of its own."""

    def __init__(self, broker: RunningBroker, sites: dict[str, Site], store: InfluxStore) -> None:
        self.stop = threading.Event()
        self.error: BaseException | None = None
        url = parse_url(broker.collector_url)
        self.collector = Collector(url, "test-influx", Decoder(sites), Checks(sites), store, clock=lambda: T)
        self.thread = threading.Thread(target=self._run)
        self.thread.start()

    def _run(self) -> None:
        try:
            self.collector.run(self.stop)
        except BaseException as error:
            self.error = error

    def __enter__(self) -> Collecting:
        end = time.monotonic() + WAIT_S
        while not self.collector.counters.connected:
            assert time.monotonic() < end, self.error
            time.sleep(0.01)
        return self

    def __exit__(self, *_: object) -> None:
        self.stop.set()
        self.thread.join(WAIT_S)


def test_the_collector_waits_out_a_503_and_ends_on_a_401(
    nats_broker: RunningBroker,
    connect_device: ConnectDevice,
    skerrow_head: Site,
    server: Answering,
    open_influx: OpenInflux,
) -> None:
    store = open_influx(f"{server.url}/?db=ullage")
    stored: list[bytes] = []
    refusals = threading.Semaphore(0)
    arrived = threading.Event()

    def away(asked: Asked) -> Answer:
        refusals.release()
        return Answer(503, b'{"error":"back soon"}')

    def back(asked: Asked) -> Answer:
        if asked.path.startswith("/write"):
            stored.extend(asked.body.splitlines())
            arrived.set()
        return kindly(asked)

    topic = "ullage/skerrow-head/post-1/senml"
    device = connect_device(nats_broker)
    with Collecting(nats_broker, {skerrow_head.id: skerrow_head}, store) as running:
        server.answer = away
        device.deliver(topic, json.dumps([{"n": "level", "u": "m", "v": 1.0, "t": T // 1000}]))
        for _ in range(3):
            assert refusals.acquire(timeout=WAIT_S)
        assert running.error is None
        server.answer = back
        assert arrived.wait(WAIT_S)
        line = b"reading,sensor=post-1/level,site=skerrow-head value=1.0,flags=0,suspect=0 1772366400000"
        assert set(stored) == {line}
        server.answer = lambda _: Answer(401, b'{"error":"authorization failed"}')
        device.deliver(topic, json.dumps([{"n": "level", "u": "m", "v": 1.1}]))
        running.thread.join(WAIT_S)
        assert isinstance(running.error, StoreRefused)
