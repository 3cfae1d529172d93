"""One broker a folder: a second one is refused, a left-over one is ended."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import psutil
import pytest

from ingest.broker import Broker
from ingest.errors import BrokerError

SUPERVISOR = """
import sys, time
from pathlib import Path
from ingest.broker import Broker
broker = Broker(Path(sys.argv[1]), port=0)
broker.start()
print(broker.pid, flush=True)
time.sleep(60)
"""


def test_a_second_broker_of_a_folder_is_refused_until_the_first_stops(tmp_path: Path) -> None:
    first = Broker(tmp_path, port=0)
    with first, pytest.raises(BrokerError, match="run by another process: stop that one"):
        Broker(tmp_path, port=0).start()
    with Broker(tmp_path, port=0) as again:
        assert again.pid is not None


def test_a_broker_whose_supervisor_was_killed_is_ended_by_the_next(tmp_path: Path) -> None:
    supervisor = subprocess.Popen([sys.executable, "-c", SUPERVISOR, str(tmp_path)], stdout=subprocess.PIPE, text=True)
    assert supervisor.stdout is not None
    orphan = psutil.Process(int(supervisor.stdout.readline()))
    os.kill(supervisor.pid, signal.SIGKILL)
    supervisor.wait()
    supervisor.stdout.close()
    assert orphan.is_running()
    with Broker(tmp_path, port=0) as broker:
        assert broker.pid not in (None, orphan.pid)
        assert not orphan.is_running() or orphan.status() == psutil.STATUS_ZOMBIE
