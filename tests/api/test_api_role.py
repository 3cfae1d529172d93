"""The running process: it serves, stops cleanly, and never goes on with a dead background thread."""

from __future__ import annotations

import http.client
import socket
import threading
import time
from collections.abc import Callable
from pathlib import Path

import httpx
import pytest

from api.role import run_api, serve
from api.settings import Settings
from api.supervisor import RoleFailedError
from ingest.instants import MINUTE_MS
from ingest.reading import Reading
from ingest.site import Site
from ingest.store.locate import open_readings
from ingest.store.records import Records
from tests.api.fakes import NOW_MS, Clock, MemoryReadings


class Breaks(MemoryReadings):
    """Answers, until the alarm watch asks."""

    def latest(self, site: str, until_ms: int) -> dict[str, Reading]:
        raise ZeroDivisionError("an unforeseen fault")


def running(work: Callable[[], None]) -> tuple[threading.Thread, list[BaseException]]:
    failed: list[BaseException] = []

    def run() -> None:
        try:
            work()
        except BaseException as error:
            failed.append(error)

    thread = threading.Thread(target=run)
    thread.start()
    return thread, failed


def answer_of(port: int, path: str) -> httpx.Response:
    """The first answer, waiting for the server to listen."""
    end = time.monotonic() + 10
    while True:
        try:
            return httpx.get(f"http://127.0.0.1:{port}{path}", timeout=5)
        except httpx.ConnectError:
            if time.monotonic() > end:
                raise
            time.sleep(0.02)


def test_serves_watches_alarms_and_stops_when_told(tmp_path: Path, sites_folder: Path, free_port: int) -> None:
    stop = threading.Event()
    settings = Settings(data=tmp_path, sites=sites_folder, port=free_port, demo=True)
    open_readings(settings.readings_store, writer=True).close()  # as the collector does
    thread, failed = running(lambda: run_api(settings, Clock(), stop))
    try:
        assert answer_of(free_port, "/api/v1/health/ready").json()["status"] == "ready"
        assert "Skerrow Head" in answer_of(free_port, "/").text
    finally:
        stop.set()
        thread.join(20)
    assert not thread.is_alive()
    assert failed == []
    with pytest.raises(httpx.ConnectError):
        httpx.get(f"http://127.0.0.1:{free_port}/")


def test_alarm_reaches_the_log_of_the_running_process(
    skerrow_head: Site, records: Records, clock: Clock, free_port: int, caplog: pytest.LogCaptureFixture
) -> None:
    readings, stop = MemoryReadings(), threading.Event()
    readings.write([Reading("skerrow-head", NOW_MS - n * 5 * MINUTE_MS, "post-1/battery", 11.9) for n in range(10)])
    thread, failed = running(
        lambda: serve({"skerrow-head": skerrow_head}, readings, records, clock, Settings(port=free_port), stop)
    )
    end = time.monotonic() + 15
    while "ALARM" not in caplog.text and time.monotonic() < end:
        time.sleep(0.02)
    stop.set()
    thread.join(20)
    assert "Battery is low – Skerrow Head bird observatory" in caplog.text
    assert failed == []


def test_fault_in_the_alarm_watch_ends_the_process_and_is_logged(
    skerrow_head: Site, records: Records, clock: Clock, free_port: int, caplog: pytest.LogCaptureFixture
) -> None:
    stop = threading.Event()
    sites = {"skerrow-head": skerrow_head}
    thread, failed = running(lambda: serve(sites, Breaks(), records, clock, Settings(port=free_port), stop))
    thread.join(20)
    assert not thread.is_alive()
    assert stop.is_set()
    assert isinstance(failed[0], RoleFailedError)
    assert "alarms" in str(failed[0])
    assert "an unforeseen fault" in caplog.text


def test_taken_port_is_said(skerrow_head: Site, records: Records, clock: Clock) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(RoleFailedError, match=f"127.0.0.1:{port}"):
            serve({}, MemoryReadings(), records, clock, Settings(port=port, alarms=False), threading.Event())


def test_connection_stays_open_for_the_next_request(
    skerrow_head: Site, records: Records, clock: Clock, free_port: int
) -> None:
    stop = threading.Event()
    settings = Settings(port=free_port, alarms=False)
    thread, _ = running(lambda: serve({"skerrow-head": skerrow_head}, MemoryReadings(), records, clock, settings, stop))
    try:
        answer_of(free_port, "/api/v1/health/live")
        connection = http.client.HTTPConnection("127.0.0.1", free_port, timeout=10)
        sockets = []
        for _ in range(2):
            connection.request("GET", "/api/v1/health/live")
            answer = connection.getresponse()
            assert (answer.status, answer.read()) == (200, b'{"status":"live"}')
            sockets.append(connection.sock)
        assert sockets[0] is sockets[1]
        connection.close()
    finally:
        stop.set()
        thread.join(20)
