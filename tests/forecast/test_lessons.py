"""Learning between the rounds of the forecaster."""

from __future__ import annotations

import importlib
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from forecast.lessons import ANEW_MS, AT_ONCE, Lessons
from forecast.result import decode
from forecast.worker import Worker
from ingest.errors import StoreUnavailable
from ingest.instants import HOUR_MS, MINUTE_MS, from_rfc3339
from ingest.reading import Reading
from ingest.site import Site
from ingest.store.readings import ReadingStore
from ingest.store.records import Records
from ingest.store.sqlite import SqliteStore
from tests.spoken import spoken

NOW_MS = from_rfc3339("2026-11-10T10:25:00Z")


@pytest.fixture(autouse=True)
def here(monkeypatch: pytest.MonkeyPatch) -> None:
    """Learn in this process, which has the libraries already; `test_aside.py` has the other one."""

    def _here(name: str, *arguments: object) -> object:
        module, _, function = name.partition(":")
        return getattr(importlib.import_module(module), function)(*arguments)

    monkeypatch.setattr("forecast.lessons.aside", _here)
    monkeypatch.setattr("forecast.panel.aside", _here)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteStore]:
    store = SqliteStore(tmp_path / "readings.db")
    yield store
    store.close()


def test_a_few_sites_at_a_time_and_each_anew_after_a_day(store: SqliteStore, skerrow_head: Site) -> None:
    names = [f"site-{number}" for number in range(AT_ONCE + 1)]
    lessons = Lessons({name: skerrow_head.model_copy(update={"id": name}) for name in names}, store)
    assert lessons.of(names[0]) is None
    lessons.go_on(NOW_MS)
    first = {name: lessons.of(name) for name in names}
    assert [learned is not None for learned in first.values()] == [True] * AT_ONCE + [False]
    lessons.go_on(NOW_MS + HOUR_MS)
    assert lessons.of(names[-1]) is not None
    assert all(lessons.of(name) is first[name] for name in names[:AT_ONCE])
    lessons.go_on(NOW_MS + ANEW_MS)
    assert all(lessons.of(name) is not first[name] for name in names[:AT_ONCE])


class _AwayStore:
    """A store that cannot be reached."""

    def __getattr__(self, _name: str) -> object:
        raise StoreUnavailable("away")


def test_an_absent_store_teaches_nothing_and_stops_nothing(
    skerrow_head: Site, caplog: pytest.LogCaptureFixture
) -> None:
    away: ReadingStore = _AwayStore()  # type: ignore[assignment]
    lessons = Lessons({"skerrow-head": skerrow_head}, away)
    lessons.go_on(NOW_MS)
    assert lessons.of("skerrow-head") is None
    assert "nothing learnt today: away" in caplog.text


def test_the_forecasts_of_the_next_round_say_what_was_learnt(
    store: SqliteStore, skerrow_head: Site, tmp_path: Path
) -> None:
    store.write([Reading("skerrow-head", NOW_MS - 5 * MINUTE_MS, "post-1/level", 1.0)])
    records = Records(f"sqlite:///{tmp_path / 'records.db'}")
    stop = threading.Event()
    ticks: list[int] = []

    def clock() -> int:
        ticks.append(NOW_MS + len(ticks) * 1000)
        if len(ticks) == 5:  # round, site, lesson; round, site
            stop.set()
        return ticks[-1]

    sites = {"skerrow-head": skerrow_head}
    Worker(sites, store, records, {}, clock, every_s=0.0, lessons=Lessons(sites, store)).run(stop)
    document = records.latest_forecast("skerrow-head")
    assert document is not None
    said = spoken(decode(document).unknown)
    assert any("learn the use of taps and irrigation" in sentence for sentence in said)
    assert not any("with a usual spread" in sentence for sentence in said)
    records.close()
