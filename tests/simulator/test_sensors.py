"""Readings made from the truth: which, when, how noisy, in what steps, with what gaps."""

from __future__ import annotations

import numpy as np
import pytest

from ingest.instants import HOUR_MS, MINUTE_MS, from_rfc3339
from ingest.reading import Reading
from ingest.site import Sensor, Site
from simulator.plant import Plant
from simulator.sensors import Sensors
from simulator.truth import Truth
from simulator.weather import invented_weather
from tests.simulator.handmade import still

START_MS = from_rfc3339("2026-06-28T00:00:00Z")


@pytest.fixture(scope="module")
def truth(skerrow_head: Site) -> Truth:
    return Plant(skerrow_head, 4, fill=0.7).run(invented_weather(skerrow_head, START_MS, 5 * 1440, 4))


def of(readings: list[Reading], sensor: str) -> list[Reading]:
    return [reading for reading in readings if reading.sensor == sensor]


def values(readings: list[Reading], sensor: str) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    return np.array([reading.value for reading in of(readings, sensor)])


def watching(site: Site, *measures: str, every_s: float = 300.0, **changes: float) -> Site:
    """The site with other sensors: one a quantity, named a, b, c …"""
    sensors = [
        Sensor(device="post-1", name=name, measures=what, every_s=every_s, noise=0.0).model_copy(update=changes)
        for name, what in zip("abcdefgh", measures, strict=False)
    ]
    return site.model_copy(update={"sensor": sensors})


def test_every_sensor_of_the_site_file_speaks_in_order_of_time(skerrow_head: Site, truth: Truth) -> None:
    readings = Sensors(skerrow_head, 1).read(truth)
    assert {reading.sensor for reading in readings} == {sensor.id for sensor in skerrow_head.sensor}
    assert all(reading.site == "skerrow-head" and reading.flags == 0 for reading in readings)
    times_ms = [reading.time_ms for reading in readings]
    assert times_ms == sorted(times_ms)
    level = of(readings, "post-1/level")
    assert [reading.time_ms for reading in level] == list(range(START_MS + 300_000, truth.end_ms + 1, 300_000))


def test_pieces_say_the_same_as_the_whole(skerrow_head: Site) -> None:
    weather = invented_weather(skerrow_head, START_MS, 3 * 1440, 4)
    whole = Sensors(skerrow_head, 1, dropout=0.1, slosh_m=0.01).read(Plant(skerrow_head, 4).run(weather))
    plant, sensors, pieces, at = (
        Plant(skerrow_head, 4),
        Sensors(skerrow_head, 1, dropout=0.1, slosh_m=0.01),
        list[Reading](),
        0,
    )
    for minutes in (3, 1, 1, 1500, 4320 - 1505):
        pieces += sensors.read(plant.run(weather.part(at, minutes)))
        at += minutes
    assert [(r.time_ms, r.sensor) for r in pieces] == [(r.time_ms, r.sensor) for r in whole]
    assert [r.value for r in pieces] == pytest.approx([r.value for r in whole], abs=0.11)
    assert np.mean([one.value == other.value for one, other in zip(pieces, whole, strict=True)]) > 0.99


def test_a_level_shows_the_truth_at_its_instant_with_the_noise_of_the_site_file(
    skerrow_head: Site, truth: Truth
) -> None:
    shown = values(Sensors(skerrow_head, 1).read(truth), "post-1/level")
    error = shown - truth.tanks["main"].level_m[4::5]
    assert error.std() == pytest.approx(0.004, rel=0.08)
    assert abs(error.mean()) < 0.0004
    np.testing.assert_allclose(shown * 1000, np.round(shown * 1000), atol=1e-9)


def test_waves_while_water_falls_in(skerrow_head: Site) -> None:
    truth = Plant(skerrow_head, 1, fill=0.2).run(still(20 * 60, dict.fromkeys(range(600), 0.05)))
    site = watching(skerrow_head, "tank.main.level", every_s=60)
    error = values(Sensors(site, 1, slosh_m=0.02).read(truth), "post-1/a") - truth.tanks["main"].level_m
    assert error[200:600].std() == pytest.approx(0.02, rel=0.15)
    assert error[700:].std() < 0.001


def test_running_totals_never_fall_and_end_at_the_truth(skerrow_head: Site, truth: Truth) -> None:
    readings = Sensors(skerrow_head, 1).read(truth)
    for sensor, total, step in (
        ("post-1/inflow-total", truth.roofs["bunkhouse"].inflow.sum(), 0.1),
        ("post-1/taps-total", truth.draws["taps"].drawn.sum(), 0.1),
        ("post-1/rain-total", truth.weather.rain_mm.sum(), 0.2),
    ):
        shown = values(readings, sensor)
        assert (np.diff(shown) >= -1e-9).all()
        assert total - step <= shown[-1] <= total + 1e-6
        np.testing.assert_allclose(shown / step, np.round(shown / step), atol=1e-6)
        assert total > 5


def test_a_rate_is_the_mean_of_its_interval_and_sums_to_the_total(skerrow_head: Site, truth: Truth) -> None:
    flow = values(Sensors(skerrow_head, 1).read(truth), "post-1/irrigation-flow")
    assert (flow >= 0).all()
    assert flow.sum() * 300 / 3600 == pytest.approx(truth.draws["irrigation"].drawn.sum(), abs=0.2)
    assert flow.max() == pytest.approx(14 * 60, rel=0.01)


def test_everything_that_can_be_measured(skerrow_head: Site) -> None:
    weather = still(120, {0: 6.0})
    truth = Plant(skerrow_head, 1, fill=0.5).run(weather)
    site = watching(
        skerrow_head,
        "tank.main.temperature",
        "roof.bunkhouse.flow",
        "backup.open",
        "backup.flow",
        "battery.current",
        "rain.rate",
        "air.temperature",
        "pump.running",
        every_s=3600,
    )
    readings = Sensors(site, 1).read(truth)
    first = {reading.sensor[-1]: reading.value for reading in readings[:8]}
    assert first["a"] == pytest.approx(10)
    assert first["b"] == pytest.approx(truth.roofs["bunkhouse"].inflow[:60].sum(), abs=0.1)
    assert first["c"] == first["d"] == 0
    assert first["e"] == pytest.approx(-3 / 12.5, abs=0.02)
    assert first["f"] == pytest.approx(6.0)
    assert first["g"] == pytest.approx(10)
    assert first["h"] == 0


def test_pump_running_is_a_share_of_the_interval(skerrow_head: Site) -> None:
    truth = Plant(skerrow_head, 1, fill=0.9).run(still(8 * 60))
    readings = Sensors(watching(skerrow_head, "pump.running", every_s=3600), 1).read(truth)
    # Ten minutes from four o'clock UTC.
    assert values(readings, "post-1/a").tolist() == pytest.approx([0, 0, 0, 0, 10 / 60, 0, 0, 0])


def test_sensors_that_sample_within_the_minute_or_seldom(skerrow_head: Site) -> None:
    truth = Plant(skerrow_head, 1).run(still(125))
    often = Sensors(watching(skerrow_head, "tank.main.level", every_s=20), 1).read(truth)
    seldom = Sensors(watching(skerrow_head, "tank.main.level", every_s=3600), 1).read(truth)
    assert len(often) == 375
    assert [reading.time_ms - truth.start_ms for reading in seldom] == [HOUR_MS, 2 * HOUR_MS]
    assert often[2].time_ms == truth.start_ms + MINUTE_MS


def test_dropouts_are_a_share_of_the_readings(skerrow_head: Site, truth: Truth) -> None:
    kept = len(Sensors(skerrow_head, 1, dropout=0.2).read(truth)) / len(Sensors(skerrow_head, 1).read(truth))
    assert kept == pytest.approx(0.8, abs=0.02)


def test_seeds_decide_the_noise(skerrow_head: Site, truth: Truth) -> None:
    one, same, other = (Sensors(skerrow_head, seed).read(truth) for seed in (1, 1, 2))
    assert one == same
    assert one != other
