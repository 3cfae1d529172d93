"""What the collector sees of its broker, stored beside the readings."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from ingest.broker import COLLECTOR, DEVICE, Broker
from ingest.brokerurl import parse_url
from ingest.monitoring import Monitoring, Stored
from ingest.payload import Decoder
from ingest.reading import TIME_OF_ARRIVAL, Reading
from ingest.session import Session
from ingest.site import Site
from ingest.store.sqlite import SqliteStore
from ingest.watch import (
    BROKER_SITE,
    DROPPED,
    DROPPED_TOPIC,
    STORAGE,
    WAITING,
    WATCH_EVERY_MS,
    WELL,
    Watch,
)
from tests.conftest import find_free_port
from tests.faults.rig import Collecting, until
from tests.mosquitto import Mosquitto
from tests.publisher import Publisher

NOW_MS = 1_772_366_400_000
TOPIC = "ullage/skerrow-head/post-1/senml"


class Fake(Monitoring):
    """Says what it is told to say."""

    def __init__(self, stored: Stored | None = None, trouble: str | None = None) -> None:
        super().__init__(Path("nowhere"))
        self.said = stored, trouble

    def stored(self) -> Stored | None:
        return self.said[0]

    def trouble(self) -> str | None:
        return self.said[1]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    opened = SqliteStore(tmp_path / "readings.db")
    yield opened
    opened.close()


def test_it_tells_what_waits_and_how_full_it_is(store: SqliteStore) -> None:
    seen = Watch(lambda: Fake(Stored(1200, 0.25)), store).look(NOW_MS)
    assert {reading.sensor: reading.value for reading in seen} == {WELL: 1.0, WAITING: 1200.0, STORAGE: 0.25}
    assert {(reading.site, reading.time_ms) for reading in seen} == {(BROKER_SITE, NOW_MS)}


def test_what_is_not_known_is_absent_and_not_zero(store: SqliteStore) -> None:
    ill = Watch(lambda: Fake(None, "no space left on device"), store).look(NOW_MS)
    assert ill == [Reading(BROKER_SITE, NOW_MS, WELL, 0.0)]
    assert Watch(lambda: None, store).look(NOW_MS) == ill


def test_it_looks_once_a_minute_and_for_the_first_time_after_one(store: SqliteStore) -> None:
    watch = Watch(lambda: Fake(Stored(1, 0.1)), store)
    for second in range(0, 150, 10):
        watch.work(NOW_MS + second * 1000)
    times = [reading.time_ms for reading in store.range(BROKER_SITE, WELL, 0, 2 * NOW_MS)]
    assert times == [NOW_MS + WATCH_EVERY_MS, NOW_MS + 2 * WATCH_EVERY_MS]


def test_a_clock_set_back_does_not_silence_it(store: SqliteStore) -> None:
    watch = Watch(lambda: Fake(Stored(1, 0.1)), store)
    watch.work(NOW_MS)
    for second in range(0, 80, 10):
        watch.work(NOW_MS - 3_600_000 + second * 1000)
    assert store.latest(BROKER_SITE, NOW_MS)[WELL].time_ms == NOW_MS - 3_600_000 + WATCH_EVERY_MS


def test_half_full_is_logged_once(store: SqliteStore, caplog: pytest.LogCaptureFixture) -> None:
    said = Fake(Stored(9, 0.6))
    watch = Watch(lambda: said, store)
    for share in (0.6, 0.7, 0.2, 0.5):
        said.said = Stored(9, share), None
        watch.look(NOW_MS)
    assert [record.getMessage()[:34] for record in caplog.records] == [
        "the broker's store is 60 % full: w",
        "the broker's store is 50 % full: w",
    ]


def test_the_bundled_broker_is_seen(tmp_path: Path, store: SqliteStore) -> None:
    with Broker(tmp_path / "broker", port=find_free_port()) as broker:
        watch = Watch(lambda: broker.monitoring, store)
        Session(parse_url(broker.url(COLLECTOR)), "collector", ["ullage/+/+/senml"]).close()
        publisher = Publisher(broker.url(DEVICE), TOPIC, lambda number: b"[]", rate=1000)
        until(lambda: len(publisher.acknowledged) > 50, "acknowledgements")
        sent = len(publisher.finish(0.5))
        seen = {reading.sensor: reading.value for reading in watch.look(NOW_MS)}
        assert (seen[WAITING], seen[WELL]) == (sent, 1.0)
        assert 0 < seen[STORAGE] < 0.01


def test_mosquittos_count_becomes_a_reading(tmp_path: Path) -> None:
    with Mosquitto(tmp_path / "mosquitto", find_free_port()) as broker:
        with Collecting(tmp_path / "data", "--broker", broker.url(COLLECTOR)) as collecting:
            collecting.until_collecting()
            collecting.until(lambda: DROPPED in collecting.store.latest(BROKER_SITE, 10**15), "the count")
            assert collecting.store.latest(BROKER_SITE, 10**15)[DROPPED].value == 0


def test_a_count_that_is_none_is_rejected(skerrow_head: Site) -> None:
    decoder = Decoder({"skerrow-head": skerrow_head})
    assert decoder.decode(DROPPED_TOPIC, b"17", NOW_MS).readings == [
        Reading(BROKER_SITE, NOW_MS, DROPPED, 17.0, TIME_OF_ARRIVAL)
    ]
    readings, rejects = decoder.decode(DROPPED_TOPIC, b"many", NOW_MS)
    assert (readings, rejects[0].reason) == ([], "not a count of dropped messages")
