"""The benchmark of the stores in its short form: it runs, and what it prints is there."""

from __future__ import annotations

from tests.bench.stores import run


def test_the_benchmark_of_the_stores_runs() -> None:
    figures = run(days=2, points=3_000)
    assert figures["sqlite"]["readings"] == 28_800
    assert figures["sqlite"]["hours_rolled_up"] == 480
    assert 10 < figures["sqlite"]["bytes_per_reading"] < 100
    assert figures["influxdb"]["nginx_ratio_to_ready_bytes"] > 0
