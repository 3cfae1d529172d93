"""Kill the collector, or the broker, in mid-stream: every acknowledged reading is stored, once."""

from __future__ import annotations

import os
import signal
import time
from collections import Counter
from typing import Any

from ingest.broker import COLLECTOR, DEVICE, Broker

KILLS = 10


def check(process: Any, acknowledged: set[int], sent: set[int]) -> None:
    process.until(lambda: process.stored() >= len(acknowledged), "end")
    assert process.finish() == 0, process.log.read_text()
    times = Counter(reading.time_ms for reading in process.all_readings())
    assert acknowledged - set(times) == set()
    assert set(times) - sent == set()
    assert set(times.values()) == {1}
    assert process.store.counts()["rejects"] == 0


def test_killing_the_collector(any_broker: Any, ingest_process: Any, connect_device: Any, stream: Any) -> None:
    process = ingest_process(any_broker.collector_url, slow_disk=True)
    process.until_collecting()
    sending = stream(connect_device(any_broker))
    for kill in range(KILLS):
        before = process.stored()
        process.until(lambda before=before: process.stored() > before, "progress")
        time.sleep(kill * 0.01)  # "progress" is seen right after a commit: strike in every part of the next
        process.kill()
        process.restart()
    acknowledged = sending.finish()
    assert len(acknowledged) > KILLS * 100
    check(process, acknowledged, sending.sent)


def test_killing_the_bundled_broker(
    killable_broker: Broker, ingest_process: Any, connect_device: Any, stream: Any
) -> None:
    process = ingest_process(killable_broker.url(COLLECTOR))
    process.until_collecting()
    sending = stream(connect_device(_running(killable_broker)), rate=500)
    for _ in range(3):
        before = process.stored()
        process.until(lambda before=before: process.stored() > before, "progress")
        pid = killable_broker.pid
        assert pid is not None
        os.kill(pid, signal.SIGKILL)
        process.until(lambda pid=pid: killable_broker.pid not in (None, pid), "broker")
    acknowledged = sending.finish()
    assert len(acknowledged) > 300
    check(process, acknowledged, sending.sent)


class _running:  # noqa: N801 - the few fields of a broker fixture that a device looks at
    def __init__(self, broker: Broker) -> None:
        self.host, self.port = broker.host, broker.port
        self.device_user, self.device_password = broker.credentials(DEVICE)
