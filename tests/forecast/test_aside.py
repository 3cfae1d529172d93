"""Work in a process of its own, and a forecaster that stays light for it."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from forecast import panel
from forecast.aside import aside
from forecast.outlook.record import RainRecord
from ingest.errors import AsideError, RecordFileError
from ingest.instants import DAY_MS, from_rfc3339
from ingest.site import Site

#: numba itself loads the outermost part of SciPy.
HEAVY = {"pandas", "pvlib", "scipy.optimize", "sklearn"}
NOW_MS = from_rfc3339("2026-11-10T10:25:00Z")


def test_what_is_done_aside_comes_back(tmp_path: Path) -> None:
    file = tmp_path / "shed.csv"
    file.write_text("time,rain_mm\n2026-01-01T00:00:00Z,1.5\n2026-01-01T01:00:00Z,\n")
    found = aside("forecast.outlook.record:read_records", {"shed": file}, {"shed": ZoneInfo("Europe/London")})
    assert isinstance(found["shed"], RainRecord)
    np.testing.assert_array_equal(found["shed"].rain_mm, [1.5, np.nan])


def test_our_own_errors_come_back_as_they_are(tmp_path: Path) -> None:
    file = tmp_path / "shed.csv"
    file.write_text("time,rain_mm\n2026-01-01T00:00:00Z,-1\n")
    with pytest.raises(RecordFileError, match="data row 1"):
        aside("forecast.outlook.record:read_records", {"shed": file}, {"shed": ZoneInfo("Europe/London")})


def test_a_process_that_dies_is_an_error_of_ours(capfd: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(AsideError, match="os:abort failed in its own process"):
        aside("os:abort")
    with pytest.raises(AsideError, match="its last words are in the log"):
        aside("forecast.panel:no_such_thing")
    assert "no_such_thing" in capfd.readouterr().err


def test_the_sun_prepared_aside_is_the_sun_found_here(skerrow_head: Site) -> None:
    assert skerrow_head.battery is not None
    here = panel.beam_ratio(skerrow_head, skerrow_head.battery, NOW_MS - NOW_MS % DAY_MS, 24 * 40)
    panel._kept.clear()
    panel.prepare([skerrow_head], NOW_MS, 24 * 41)
    kept = dict(panel._kept)
    np.testing.assert_array_equal(
        panel.beam_ratio(skerrow_head, skerrow_head.battery, NOW_MS - NOW_MS % DAY_MS, 24 * 40), here
    )
    assert kept.keys() == panel._kept.keys(), "nothing had to be found beside it"
    panel.prepare([skerrow_head], NOW_MS + 200 * DAY_MS, 24)
    assert not kept.keys() & panel._kept.keys(), "suns of the past are let go"


def test_a_forecaster_learns_and_forecasts_without_the_heavy_libraries(tmp_path: Path, sites_folder: Path) -> None:
    program = f"""
import sys
from pathlib import Path
from forecast.lessons import Lessons
from forecast.worker import Worker
from ingest.reading import Reading
from ingest.sitefile import load_sites
from ingest.store.records import Records
from ingest.store.sqlite import SqliteStore
import forecast.role
folder, now = Path({str(tmp_path)!r}), {NOW_MS}
sites = load_sites(Path({str(sites_folder)!r}))
store = SqliteStore(folder / "readings.db")
store.write([Reading("skerrow-head", now - 60_000, "post-1/level", 1.0)])
records = Records(f"sqlite:///{{folder}}/records.db")
lessons = Lessons(sites, store)
worker = Worker(sites, store, records, {{}}, lambda: now, lessons=lessons)
worker.round(["skerrow-head"])
lessons.go_on(now)
assert records.latest_forecast("skerrow-head") and lessons.of("skerrow-head")
print(sorted({HEAVY!r} & sys.modules.keys()))
"""
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))}
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, timeout=120, env=environment
    )
    assert done.stdout.strip() == "[]"
