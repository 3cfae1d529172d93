"""The API answers from what others computed: it must not carry their weight."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from tests.conftest import SITES
from tests.project.test_docs import ROOT

HEAVY = {"pandas", "numba", "sklearn", "scipy", "matplotlib", "paho", "cbor2"}


def test_api_starts_without_the_heavy_libraries() -> None:
    program = (
        f"import sys, api.app, api.role; print(sorted({HEAVY!r} & {{name.partition('.')[0] for name in sys.modules}}))"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True, timeout=60)
    assert done.stdout.strip() == "[]"


def test_it_asks_another_process_for_design_and_account(tmp_path: Path) -> None:
    program = f"""
import sys
from pathlib import Path
sys.path.insert(0, {str(ROOT)!r})
from ingest.reading import Reading
from ingest.sitefile import load_sites
from ingest.store.records import Records
from api.app import create_app
from api.settings import Settings
from tests.api.conftest import Client
from tests.api.fakes import Clock, MemoryReadings, NOW_MS
folder = Path({str(tmp_path)!r})
readings = MemoryReadings()
readings.write([Reading("skerrow-head", NOW_MS - hour * 3_600_000, "post-1/level", 1.0) for hour in range(50)])
records = Records(f"sqlite:///{{folder}}/records.db")
app = create_app(load_sites(Path({str(SITES)!r})), readings, records, Clock(), Settings(data=folder))
before = set(sys.modules)
client = Client(app)
for page in ("design", "account", "what-if?change=tank.main.overflow_height_m=2.4"):
    answer = client.get(f"/api/v1/sites/skerrow-head/{{page}}")
    assert answer.status_code == 200, answer.text
assert client.get("/sites/skerrow-head/design").status_code == 200
assert client.get("/sites/skerrow-head/account").status_code == 200
app.state.service.backroom.close()
print(sorted({HEAVY!r} & {{name.partition('.')[0] for name in set(sys.modules) - before}}))
"""
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False, timeout=120)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == "[]"
