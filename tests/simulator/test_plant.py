"""The plant: water conserved to rounding, pieces equal to the whole, every part doing its own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from forecast.model.geometry import geometry_of
from ingest.instants import DAY_MS, MINUTE_MS, from_rfc3339
from ingest.site import Backup, Site
from simulator.faults import Fault
from simulator.plant import Event, Plant
from simulator.truth import Truth, hourly_sums
from simulator.weather import InventedWeather, invented_weather
from tests.simulator.handmade import MAY_DAY_MS, still

START_MS = from_rfc3339("2026-06-28T00:00:00Z")


def unbalance_l(site: Site, plant_fill: float, truth: Truth) -> dict[str, float]:
    """What each tank's account fails by over a truth that began at a fill. [L]"""
    out = {}
    for tank in site.tank:
        trace = truth.tanks[tank.id]
        came = sum(truth.roofs[roof.id].inflow.sum() for roof in site.roof if roof.tank == tank.id)
        came += sum(truth.tanks[up.id].overflow_l.sum() for up in site.tank if up.overflow_to == tank.id)
        came += trace.from_backup_l.sum()
        went = sum(truth.draws[draw.id].drawn.sum() for draw in site.draw if draw.tank == tank.id)
        went += trace.overflow_l.sum() + trace.leak_l.sum()
        start = plant_fill * geometry_of(tank).capacity_l
        out[tank.id] = float(came - went - (trace.volume_l[-1] - start))
    return out


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    which=st.sampled_from(["skerrow", "tarn"]),
    seed=st.integers(0, 1000),
    fill=st.floats(0, 1),
    leak=st.floats(0, 200),
    pressed=st.floats(0, 100),
    days=st.integers(1, 4),
    wetter=st.floats(1, 40),
)
def test_water_is_conserved(
    skerrow_head: Site,
    tarn_orchard: Site,
    which: str,
    seed: int,
    fill: float,
    leak: float,
    pressed: float,
    days: int,
    wetter: float,
) -> None:
    site = skerrow_head if which == "skerrow" else tarn_orchard
    tank = site.tank[-1].id
    faults = [Fault("leak", tank, START_MS + DAY_MS // 2, amount=leak)]
    if site.backup:
        faults.append(Fault("both-supplies-open", tank, START_MS, START_MS + DAY_MS // 3, amount=pressed))
    weather = invented_weather(site, START_MS, days * 1440, seed)
    weather = replace(weather, rain_mm=weather.rain_mm * wetter)
    truth = Plant(site, seed, fill=fill, faults=faults).run(weather)
    assert max(map(abs, unbalance_l(site, fill, truth).values())) < 1e-6
    for each in site.tank:
        volume, geometry = truth.tanks[each.id].volume_l, geometry_of(each)
        assert volume.min() >= 0
        assert volume.max() <= geometry.capacity_l + 1e-9
    assert all(
        (trace.drawn <= trace.wanted + 1e-9).all() for name, trace in truth.draws.items() if name != "irrigation"
    )


@pytest.mark.parametrize("which", ["skerrow", "tarn"])
def test_pieces_make_the_same_truth_as_the_whole(skerrow_head: Site, tarn_orchard: Site, which: str) -> None:
    site = skerrow_head if which == "skerrow" else tarn_orchard
    events = [Event(START_MS + 3000 * MINUTE_MS, "first-flush-emptied", site.roof[0].id)]
    if site.backup:
        events += [
            Event(START_MS + 700 * MINUTE_MS, "backup-opened"),
            Event(START_MS + 2300 * MINUTE_MS, "backup-closed"),
        ]
    weather = InventedWeather(site, 3).span(START_MS, 6 * 1440)
    whole = Plant(site, 3, fill=0.2, events=events).run(weather)
    plant, at = Plant(site, 3, fill=0.2, events=events), 0
    for minutes in (1, 777, 1440, 3000, 6 * 1440 - 5218):
        piece, here = plant.run(weather.part(at, minutes)), slice(at, at + minutes)
        for tank in site.tank:
            np.testing.assert_array_equal(piece.tanks[tank.id].volume_l, whole.tanks[tank.id].volume_l[here])
        for name, trace in piece.draws.items():
            np.testing.assert_array_equal(trace.drawn, whole.draws[name].drawn[here])
        for name, roof in piece.roofs.items():
            np.testing.assert_array_equal(roof.chamber, whole.roofs[name].chamber[here])
        np.testing.assert_array_equal(piece.backup_open, whole.backup_open[here])
        np.testing.assert_array_equal(piece.water_cel, whole.water_cel[here])
        if piece.power and whole.power:
            np.testing.assert_array_equal(piece.power.volts, whole.power.volts[here])
        at += minutes
    assert whole.weather.rain_mm.sum() > 5


def test_irrigation_gets_its_day_within_its_hours(skerrow_head: Site) -> None:
    truth = Plant(skerrow_head, 1, fill=0.9).run(still(3 * 1440))
    drawn = truth.draws["irrigation"].drawn
    assert drawn.reshape(3, 1440).sum(axis=1) == pytest.approx([140, 140, 140])
    # From five o'clock summer time, at 14 L/min: ten minutes.
    assert np.flatnonzero(drawn[:1440]).tolist() == list(range(4 * 60, 4 * 60 + 10))
    assert truth.pump_share.sum() == pytest.approx(30)


def test_irrigation_leaves_the_reserve_and_the_taps_go_on_to_the_outlet(skerrow_head: Site) -> None:
    dead_l = geometry_of(skerrow_head.tank[0]).dead_l
    truth = Plant(skerrow_head, 1, fill=0.2).run(still(14 * 1440))
    volume, irrigation = truth.tanks["main"].volume_l, truth.draws["irrigation"].drawn
    assert volume[irrigation > 0].min() == pytest.approx(dead_l + 300, abs=1e-6)
    assert volume[-1] == pytest.approx(dead_l)
    assert truth.draws["taps"].drawn.sum() < truth.draws["taps"].wanted.sum()


def test_the_pump_stops_when_the_battery_is_cut_off_and_taps_do_not(skerrow_head: Site) -> None:
    truth = Plant(skerrow_head, 1, fill=0.9, soc=0.02).run(still(2 * 1440))
    assert truth.draws["irrigation"].drawn.sum() < 140
    assert truth.draws["taps"].drawn.sum() > 60
    assert truth.power is not None
    assert truth.power.soc[-1] == 0


def test_the_sun_fills_the_battery_that_the_pump_empties(skerrow_head: Site) -> None:
    sunny = Plant(skerrow_head, 1, fill=0.9, soc=0.5).run(invented_weather(skerrow_head, START_MS, 5 * 1440, 1))
    dark = Plant(skerrow_head, 1, fill=0.9, soc=0.5).run(still(5 * 1440))
    assert sunny.power
    assert dark.power
    assert sunny.power.soc[-1] > 0.7
    assert dark.power.soc[-1] < 0.3
    assert dark.power.volts.min() < 12.1 < 13 < sunny.power.volts.max()


def test_the_upper_tank_runs_over_into_the_lower_one_and_only_that_leaves_the_site(tarn_orchard: Site) -> None:
    rain = dict.fromkeys(range(600), 0.1)
    truth = Plant(tarn_orchard, 1, fill=0.95).run(still(800, rain))
    upper, lower = truth.tanks["upper"], truth.tanks["lower"]
    assert upper.overflow_l.sum() > lower.overflow_l.sum() > 0
    np.testing.assert_array_equal(truth.spilled_l, lower.overflow_l)
    assert upper.level_m.max() == pytest.approx(1.0)


def test_a_hand_opens_the_backup_and_the_tank_rests(skerrow_head: Site) -> None:
    events = [
        Event(MAY_DAY_MS + DAY_MS, "backup-opened"),
        Event(MAY_DAY_MS + 2 * DAY_MS, "backup-closed"),
    ]
    truth = Plant(skerrow_head, 1, fill=0.9, events=events).run(still(3 * 1440))
    taps = truth.draws["taps"]
    drawn, backup = (litres.reshape(3, 1440).sum(axis=1) for litres in (taps.drawn, taps.from_backup))
    assert (drawn > 0).tolist() == [True, False, True]
    assert (backup > 0).tolist() == [False, True, False]
    assert backup[1] == taps.wanted[1440:2880].sum()
    assert truth.backup_open.tolist() == [False] * 1440 + [True] * 1440 + [False] * 1440
    assert truth.backup_l.sum() == pytest.approx(backup[1])


def test_a_backup_that_changes_over_by_itself_gives_what_the_tank_cannot(skerrow_head: Site) -> None:
    site = skerrow_head.model_copy(update={"backup": Backup(id="borehole", changeover="by itself")})
    truth = Plant(site, 1, fill=0.05).run(still(1440))
    taps = truth.draws["taps"]
    assert taps.drawn.sum() == 0
    np.testing.assert_array_equal(taps.from_backup, taps.wanted)
    np.testing.assert_array_equal(truth.backup_open, taps.wanted > 0)


def test_stored_water_follows_the_air_slowly(skerrow_head: Site) -> None:
    weather = invented_weather(skerrow_head, START_MS, 10 * 1440, 1)
    truth = Plant(skerrow_head, 1).run(weather)
    assert np.ptp(truth.water_cel) < 0.5 * np.ptp(weather.air_cel)
    assert truth.water_cel[-1] == pytest.approx(weather.air_cel.mean(), abs=3)


@pytest.mark.parametrize(
    ("event", "message"),
    [
        (Event(0, "tank-painted"), "expected one of first-flush-emptied, backup-opened"),
        (Event(0, "first-flush-emptied", "barn"), "expected a roof: bunkhouse, ringing-hut"),
    ],
)
def test_an_event_that_cannot_be_is_refused(skerrow_head: Site, event: Event, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        Plant(skerrow_head, 1, events=[event])


def test_a_site_without_a_backup_cannot_open_it(tarn_orchard: Site) -> None:
    with pytest.raises(ValueError, match="expected a site with a backup"):
        Plant(tarn_orchard, 1, events=[Event(0, "backup-opened")])


def test_hours_of_the_truth(skerrow_head: Site) -> None:
    truth = Plant(skerrow_head, 1).run(still(150, {0: 1.0, 59: 2.0, 60: 4.0, 130: 8.0}))
    assert hourly_sums(truth, truth.weather.rain_mm).tolist() == [3.0, 4.0]
    late = Plant(skerrow_head, 1).run(still(150, start_ms=MAY_DAY_MS + MINUTE_MS))
    with pytest.raises(ValueError, match="expected a full hour"):
        hourly_sums(late, late.weather.rain_mm)
