"""The role put together: its own broker, its session there before any device, its exits."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

import pytest

from ingest.broker import DEVICE
from ingest.collector import Collector
from ingest.errors import BrokerError
from ingest.payload import Decoder
from ingest.role import IngestSettings, bundled_broker, run_ingest
from ingest.site import Site
from ingest.store.sqlite import SqliteStore

TOPIC = "ullage/skerrow-head/post-1/senml"


class Reachable:
    """The bundled broker as a device sees it."""

    def __init__(self, broker: Any) -> None:
        self.host, self.port = broker.host, broker.port
        self.device_user, self.device_password = broker.credentials(DEVICE)


@pytest.fixture
def settings(sites_folder: Path, tmp_path: Path, free_port: int) -> IngestSettings:
    return IngestSettings(sites_folder, tmp_path / "data", port=free_port)


def collect_until(settings: IngestSettings, messages: int) -> None:
    """Run the role until it has so many messages."""
    stop = threading.Event()
    started: list[Collector] = []
    thread = threading.Thread(target=run_ingest, args=(settings, stop), kwargs={"on_start": started.append})
    thread.start()
    end = time.monotonic() + 20
    while not (started and started[0].counters.messages >= messages) and time.monotonic() < end:
        time.sleep(0.02)
    stop.set()
    thread.join(20)
    assert [collector.counters.messages for collector in started] == [messages]


def test_a_device_that_is_first_at_a_new_broker_loses_nothing(
    settings: IngestSettings, skerrow_head: Site, tarn_orchard: Site, connect_device: Any
) -> None:
    decoder = Decoder({site.id: site for site in (skerrow_head, tarn_orchard)})
    with bundled_broker(settings, decoder) as broker:
        device = connect_device(Reachable(broker))
        device.deliver(TOPIC, json.dumps([{"n": "level", "u": "m", "v": 1.5, "t": 1_772_366_400}]))
        device.deliver("orchard/lower-post/state", '{"flow": {"litres_per_second": 0.1}}')
        device.client.disconnect()
    collect_until(settings, 2)
    store = SqliteStore(settings.data / "readings.db", writer=False)
    assert store.counts() == {"readings": 2, "rejects": 0}
    store.close()


def test_a_broker_that_gives_up_ends_the_role(
    settings: IngestSettings, monkeypatch: pytest.MonkeyPatch, free_port: int
) -> None:
    from ingest import broker as module

    monkeypatch.setattr(module, "_MAX_FAILURES", 1)

    def kill_it(collector: Collector) -> None:
        def kill() -> None:
            for file in (settings.data / "broker").glob("nats-server_*.ports"):
                import os
                import signal

                os.kill(int(file.stem.rpartition("_")[2]), signal.SIGKILL)

        threading.Timer(0.3, kill).start()

    with pytest.raises(BrokerError, match="does not stay up"):
        run_ingest(settings, threading.Event(), on_start=kill_it)


def role(*arguments: str) -> subprocess.CompletedProcess[str]:
    """In a process of its own: it takes over the signals."""
    command = [sys.executable, "-m", "ingest.role", *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=30)


def test_a_wrong_site_file_is_exit_2(tmp_path: Path) -> None:
    (tmp_path / "x.toml").write_text("id = 5")
    done = role("--sites", str(tmp_path), "--data", str(tmp_path / "data"))
    assert done.returncode == 2
    assert "x.toml" in done.stderr


def test_a_wrong_url_is_exit_1(sites_folder: Path, tmp_path: Path) -> None:
    done = role("--sites", str(sites_folder), "--data", str(tmp_path), "--broker", "nowhere")
    assert done.returncode == 1
    assert "expected mqtt://" in done.stderr
