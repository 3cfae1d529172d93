from __future__ import annotations

import threading

import pytest

from ingest.errors import StoreUnavailable
from ingest.reading import Reading
from tests.api.alarms.conftest import Watch


def test_store_out_of_reach_is_waited_for(watch: Watch, caplog: pytest.LogCaptureFixture) -> None:
    stop = threading.Event()
    calls = []

    def latest(site: str, until_ms: int) -> dict[str, Reading]:
        calls.append(site)
        if len(calls) == 2:
            stop.set()
        raise StoreUnavailable("the disk is away")

    watch.readings.latest = latest  # type: ignore[method-assign]
    watch.engine.run(stop, interval_s=0.001)
    assert len(calls) == 2
    assert "the disk is away" in caplog.text


def test_unforeseen_error_escapes_to_whoever_runs_it(watch: Watch) -> None:
    watch.readings.failure = ZeroDivisionError()  # type: ignore[assignment]
    with pytest.raises(ZeroDivisionError):
        watch.engine.run(threading.Event())
