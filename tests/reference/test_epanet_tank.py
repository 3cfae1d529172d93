"""A tank drawn down, against US EPA EPANET 2.2 through wntr."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from forecast.outlook.record import RainRecord
from forecast.replay import replay
from ingest.instants import HOUR_MS, from_rfc3339
from ingest.sitefile import parse_site

#: In a process of its own: EPANET keeps its state in a global, and wntr's imports warn.
EPANET = """
import sys, wntr
network = wntr.network.WaterNetworkModel()
network.add_tank("tank", elevation=10.0, init_level=1.0, min_level=0.0, max_level=2.0,
    diameter=(4 * 2.5 / 3.141592653589793) ** 0.5)
network.add_junction("tap", base_demand=0.150 / 86_400, elevation=0.0)
network.add_pipe("pipe", "tank", "tap", length=5.0, diameter=0.05, roughness=100)
network.options.time.duration = 48 * 3600
network.options.time.hydraulic_timestep = 3600
network.options.time.report_timestep = 3600
results = wntr.sim.EpanetSimulator(network).run_sim(file_prefix=sys.argv[1])
print(*(float(level) for level in results.node["pressure"]["tank"]))
"""


def test_a_drawn_down_tank_falls_as_in_epanet(tmp_path: Path) -> None:
    quiet = {**os.environ, "PYTHONWARNINGS": "ignore"}
    script = [sys.executable, "-c", EPANET, str(tmp_path / "tank")]
    done = subprocess.run(script, check=True, capture_output=True, text=True, env=quiet)
    theirs = np.array([float(level) for level in done.stdout.split()])
    # Obtained once with wntr 1.5: 1.00, 0.94 and 0.88 m after none, one and two days.
    assert theirs[[0, 24, 48]] == pytest.approx([1.00, 0.94, 0.88], abs=1e-3)

    tank = {
        "id": "t", "shape": "rectangular", "length_m": 2.5, "width_m": 1.0,
        "outlet_height_m": 0.0, "overflow_height_m": 2.0,
    }  # fmt: skip
    roof = {"id": "r", "plan_area_m2": 10.0, "runoff_coefficient": 1.0, "tank": "t"}
    draw = {"id": "d", "tank": "t", "feed": "gravity", "litres_per_day": 150.0}
    place = {"id": "s", "name": "A tank, a tap", "latitude": 50.0, "longitude": 0.0, "timezone": "UTC"}
    site = parse_site({**place, "roof": [roof], "tank": [tank], "draw": [draw]}, "epanet")
    dry = RainRecord(from_rfc3339("2025-06-01T00:00:00Z"), np.zeros(48), "dry")
    ours = replay(site, dry, 1.0)["volume_l"].to_numpy() / 2_500
    assert len(ours) * HOUR_MS == dry.end_ms - dry.start_ms
    np.testing.assert_allclose(ours, theirs[1:], atol=1e-4)
