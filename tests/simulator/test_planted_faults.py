"""Every fault does what it says, from its start to its end, and nothing else."""

from __future__ import annotations

import numpy as np
import pytest

from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS, from_rfc3339
from ingest.reading import Reading
from ingest.site import Site
from simulator.faults import KINDS, Fault, by_minute, checked
from simulator.plant import Plant
from simulator.sensors import Sensors
from simulator.truth import Truth
from simulator.weather import invented_weather
from tests.simulator.handmade import MAY_DAY_MS, still

START_MS = from_rfc3339("2026-06-28T00:00:00Z")
DAYS = 6
#: The faults of these tests hold on the third and fourth day.
FROM_MS, UNTIL_MS = START_MS + 2 * DAY_MS, START_MS + 4 * DAY_MS
BEFORE, DURING, AFTER = (slice(first * 1440, last * 1440) for first, last in ((0, 2), (2, 4), (4, 6)))


def run(site: Site, *faults: Fault, fill: float = 0.7, soc: float = 0.9) -> Truth:
    weather = invented_weather(site, START_MS, DAYS * 1440, seed=4)
    assert weather.rain_mm[DURING].sum() > 3
    return Plant(site, 4, fill=fill, soc=soc, faults=faults).run(weather)


def fault(kind: str, part: str, amount: float | None = None) -> Fault:
    return Fault(kind, part, FROM_MS, UNTIL_MS, amount)


def said(site: Site, *faults: Fault) -> dict[str, list[Reading]]:
    readings = Sensors(site, 1, faults=faults).read(run(site))
    return {sensor.name: [r for r in readings if r.sensor == sensor.id] for sensor in site.sensor}


def differing(healthy: list[Reading], ill: list[Reading]) -> list[int]:
    """Instants at which two devices that both speak say something else."""
    return [one.time_ms for one, other in zip(healthy, ill, strict=True) if one.value != other.value]


def test_a_roof_that_brings_less(skerrow_head: Site) -> None:
    healthy, ill = (run(skerrow_head, *faults).roofs for faults in ((), (fault("roof-coefficient", "bunkhouse", 0.4),)))
    lost = ill["bunkhouse"].splashed - healthy["bunkhouse"].splashed
    assert lost[DURING].sum() == pytest.approx(0.4 * 0.85 / 0.15 * healthy["bunkhouse"].splashed[DURING].sum())
    assert lost[BEFORE].sum() == lost[AFTER].sum() == 0
    np.testing.assert_array_equal(ill["ringing-hut"].inflow, healthy["ringing-hut"].inflow)


@pytest.mark.parametrize("site_name", ["skerrow_head", "tarn_orchard"])
def test_a_blocked_gutter(site_name: str, request: pytest.FixtureRequest) -> None:
    """Also where the site file knows no capacity: then a share of the flow goes over."""
    site: Site = request.getfixturevalue(site_name)
    roof = site.roof[0].id
    trace = run(site, fault("gutter-blocked", roof)).roofs[roof]
    assert trace.inflow[DURING].sum() + trace.first_flush[DURING].sum() == pytest.approx(0, abs=0.5)
    assert trace.over_gutter[DURING].sum() > 50
    assert trace.over_gutter[BEFORE].sum() == trace.over_gutter[AFTER].sum() == 0


def test_a_half_blocked_gutter_loses_only_peaks(skerrow_head: Site) -> None:
    half = [Fault("gutter-blocked", "bunkhouse", MAY_DAY_MS, amount=0.5)]
    weather = still(120, {0: 5.0})
    healthy, ill = (Plant(skerrow_head, 1, faults=faults).run(weather).roofs["bunkhouse"] for faults in ([], half))
    carried = ill.inflow + ill.first_flush
    assert carried.max() == pytest.approx(55)
    assert healthy.over_gutter.sum() < ill.over_gutter.sum() < healthy.inflow.sum()


def test_a_first_flush_valve_stuck_open_takes_gentle_rain_whole(skerrow_head: Site) -> None:
    """0.1 mm a minute on 84 m² is 7 L/min, less than the 20 L/min that the valve lets out."""
    stuck = [Fault("first-flush-open", "bunkhouse", MAY_DAY_MS, MAY_DAY_MS + 10 * HOUR_MS, 20.0)]
    weather = still(1440, dict.fromkeys([*range(300), *range(1000, 1300)], 0.1))
    healthy, ill = (Plant(skerrow_head, 1, faults=faults).run(weather).roofs["bunkhouse"] for faults in ([], stuck))
    assert healthy.inflow[:600].sum() > 1900
    assert ill.inflow[:600].sum() == 0
    assert ill.inflow[1000:].sum() > 1900


def test_a_small_chamber_stuck_open_lets_out_what_the_valve_can_pass(skerrow_head: Site) -> None:
    """The ringing hut's 15 L chamber, 22 m² under 2 mm a minute: 35 L/min come, 20 L/min are let out."""
    stuck = [Fault("first-flush-open", "ringing-hut", MAY_DAY_MS, amount=20.0)]
    trace = Plant(skerrow_head, 1, faults=stuck).run(still(60, dict.fromkeys(range(60), 2.0))).roofs["ringing-hut"]
    # The chamber's own drip of half a litre an hour goes on beside it.
    assert trace.first_flush[-10:] == pytest.approx(20 + 0.5 / 60)
    assert trace.inflow[-10:] == pytest.approx(22 * 2 * 0.8 - 20 - 0.5 / 60, rel=1e-3)


def test_a_leak(skerrow_head: Site) -> None:
    truth = run(skerrow_head, fault("leak", "main", 6.0))
    assert truth.tanks["main"].leak_l[DURING].sum() == pytest.approx(6 * 48)
    assert truth.tanks["main"].leak_l.sum() == pytest.approx(6 * 48)


def test_a_leak_ends_with_the_water(skerrow_head: Site) -> None:
    plant = Plant(skerrow_head, 1, fill=0.05, faults=[Fault("leak", "main", MAY_DAY_MS, amount=600.0)])
    tank = plant.run(still(1440)).tanks["main"]
    assert tank.volume_l[-1] == 0
    assert tank.leak_l[-1] == 0


def test_both_supplies_open(skerrow_head: Site) -> None:
    truth = run(skerrow_head, fault("both-supplies-open", "main", 30.0))
    taps = truth.draws["taps"]
    np.testing.assert_allclose(taps.drawn[DURING], taps.wanted[DURING] / 2)
    np.testing.assert_allclose(taps.from_backup[DURING], taps.wanted[DURING] / 2)
    assert truth.tanks["main"].from_backup_l.sum() == pytest.approx(30 * 48)
    assert truth.backup_open[DURING].all()
    assert not truth.backup_open[BEFORE].any()
    assert not truth.backup_open[AFTER].any()


def test_a_pump_that_runs_dry(skerrow_head: Site) -> None:
    truth = run(skerrow_head, fault("pump-dry", ""))
    irrigation = truth.draws["irrigation"].drawn
    assert irrigation[DURING].sum() == 0
    assert irrigation[BEFORE].sum() == pytest.approx(280)
    # It runs on through its three hours, and through the battery.
    assert truth.pump_share[DURING].sum() == pytest.approx(2 * 180)


def test_a_pump_that_nothing_stops_at_the_reserve(skerrow_head: Site) -> None:
    """400 L lie above the outlet, 300 of them are the taps' reserve: the irrigation wants 140."""
    fill = (241.3 + 400) / 3619.1
    weather = still(1440, start_ms=START_MS)
    guarded, unguarded = (
        Plant(skerrow_head, 4, fill=fill, faults=faults).run(weather).draws["irrigation"].drawn.sum()
        for faults in ((), [Fault("pump-unguarded", "", START_MS)])
    )
    assert guarded < 101
    assert unguarded == pytest.approx(140)


@pytest.mark.parametrize("draw", ["taps", "irrigation"])
def test_a_draw_that_nobody_uses(skerrow_head: Site, draw: str) -> None:
    drawn = run(skerrow_head, fault("draw-unused", draw)).draws[draw].drawn
    assert drawn[DURING].sum() == 0
    assert drawn[BEFORE].sum() > 50
    assert drawn[AFTER].sum() > 50


def test_an_aged_battery_sags_deeper(skerrow_head: Site) -> None:
    healthy, ill = (run(skerrow_head, *faults).power for faults in ((), (fault("battery-aged", "", 0.6),)))
    assert healthy
    assert ill
    assert ill.volts[DURING].min() < healthy.volts[DURING].min() - 0.1
    np.testing.assert_array_equal(ill.volts[BEFORE], healthy.volts[BEFORE])


def test_drift(skerrow_head: Site) -> None:
    healthy, ill = said(skerrow_head), said(skerrow_head, fault("sensor-drift", "post-1/level", 0.05))
    added = [other.value - one.value for one, other in zip(healthy["level"], ill["level"], strict=True)]
    last = max(i for i, reading in enumerate(ill["level"]) if reading.time_ms < UNTIL_MS)
    assert added[last] == pytest.approx(0.10, abs=0.001)
    assert added[last + 1] == added[0] == 0
    assert ill["battery"] == healthy["battery"]


def test_stuck(skerrow_head: Site) -> None:
    level = said(skerrow_head, fault("sensor-stuck", "post-1/level"))["level"]
    during = {reading.value for reading in level if FROM_MS <= reading.time_ms < UNTIL_MS}
    after = {reading.value for reading in level if reading.time_ms >= UNTIL_MS}
    assert len(during) == 1
    assert len(after) > 10


def test_spikes(skerrow_head: Site) -> None:
    healthy, ill = said(skerrow_head), said(skerrow_head, fault("sensor-spikes", "post-1/level", 0.8))
    struck = differing(healthy["level"], ill["level"])
    assert all(FROM_MS <= time_ms < UNTIL_MS for time_ms in struck)
    assert len(struck) == pytest.approx(2 * 288 / 20, abs=12)
    high = {reading.time_ms: reading.value for reading in ill["level"]}
    low = {reading.time_ms: reading.value for reading in healthy["level"]}
    assert [high[time_ms] - low[time_ms] for time_ms in struck] == pytest.approx([0.8] * len(struck))


@pytest.mark.parametrize(
    ("part", "silent"), [("post-1/level", {"level"}), ("post-1", {"level", "battery", "rain-total"})]
)
def test_silence_of_a_sensor_or_of_a_whole_device(skerrow_head: Site, part: str, silent: set[str]) -> None:
    readings = said(skerrow_head, fault("sensor-silent", part))
    for name in ("level", "battery", "rain-total"):
        heard = [reading for reading in readings[name] if FROM_MS <= reading.time_ms < UNTIL_MS]
        assert (not heard) == (name in silent)
        assert len([reading for reading in readings[name] if reading.time_ms < FROM_MS]) == 2 * 288 - 1


def test_a_running_total_that_starts_again(skerrow_head: Site) -> None:
    healthy, ill = said(skerrow_head), said(skerrow_head, fault("counter-reset", "post-1/taps-total"))
    values = [reading.value for reading in ill["taps-total"]]
    falls = np.flatnonzero(np.diff(values) < 0)
    assert len(falls) == 1
    assert ill["taps-total"][falls[0] + 1].time_ms == FROM_MS + 5 * MINUTE_MS
    assert values[falls[0] + 1] < 20
    assert healthy["taps-total"][-1].value - values[-1] == pytest.approx(values[falls[0]], abs=0.3)


def test_a_clock_that_is_wrong(skerrow_head: Site) -> None:
    healthy, ill = said(skerrow_head), said(skerrow_head, fault("clock-wrong", "post-1", 5400.0))
    ahead = {other.time_ms - one.time_ms for one, other in zip(healthy["level"], ill["level"], strict=True)}
    assert ahead == {0, 5400_000}
    assert [reading.value for reading in ill["level"]] == [reading.value for reading in healthy["level"]]


def test_faults_of_one_part_add_up_and_begin_and_end_on_time() -> None:
    faults = [
        Fault("leak", "main", START_MS + 2 * MINUTE_MS, START_MS + 5 * MINUTE_MS, 1.0),
        Fault("leak", "main", START_MS + 4 * MINUTE_MS, amount=2.0),
        Fault("leak", "other", START_MS, amount=9.0),
        Fault("leak", "main", START_MS - 9 * HOUR_MS, START_MS - HOUR_MS, 9.0),
    ]
    assert by_minute(faults, "leak", "main", START_MS, 7).tolist() == [0, 0, 1, 1, 3, 2, 2]


@pytest.mark.parametrize(
    ("kind", "part", "message"),
    [
        ("laek", "main", "expected one of roof-coefficient"),
        ("leak", "mian", "expected a tank of skerrow-head: 'main'"),
        ("sensor-stuck", "post-1/depth", "expected a sensor"),
        ("clock-wrong", "post-1/level", "expected a device of skerrow-head: 'post-1'"),
    ],
)
def test_a_fault_that_strikes_nothing_is_refused(skerrow_head: Site, kind: str, part: str, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        checked(skerrow_head, [Fault(kind, part, START_MS)])


@pytest.mark.parametrize("kind", ["pump-dry", "battery-aged", "both-supplies-open"])
def test_a_site_without_the_part_cannot_have_its_fault(tarn_orchard: Site, kind: str) -> None:
    part = "lower" if kind == "both-supplies-open" else ""
    with pytest.raises(ValueError, match=f"a site with a {KINDS[kind].strikes}"):
        checked(tarn_orchard, [Fault(kind, part, START_MS)])
