"""From a store full of a simulated season to what it teaches; the truth is the simulator's own."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from forecast.facts import gather
from forecast.learned import Leak, Learned
from forecast.outlook.monthly import monthly_outlook
from forecast.predict import predict, timeline
from forecast.teaching import learn
from forecast.telemetry import Hourly, hourly
from ingest.instants import DAY_MS, from_rfc3339
from ingest.site import Site
from ingest.store import readings
from ingest.store.sqlite import SqliteStore
from simulator.faults import Fault
from simulator.plant import Plant
from simulator.sensors import Sensors
from simulator.weather import invented_weather
from tests.spoken import spoken

NOW_MS = from_rfc3339("2026-11-10T00:00:00Z")
DAYS = 60


def store_of(site: Site, path: Path, days: int = DAYS, faults: tuple[Fault, ...] = ()) -> SqliteStore:
    """What the devices of a simulated site said in the days before NOW_MS."""
    start_ms = NOW_MS - days * DAY_MS
    truth = Plant(site, seed=4, faults=faults).run(invented_weather(site, start_ms, days * 24 * 60, seed=4))
    store = SqliteStore(path / "readings.db")
    readings = Sensors(site, seed=4, faults=faults).read(truth)
    for first in range(0, len(readings), 5_000):
        store.write(readings[first : first + 5_000])
    return store


def test_a_season_teaches_roof_use_and_that_nothing_leaks(skerrow_head: Site, tmp_path: Path) -> None:
    store = store_of(skerrow_head, tmp_path)
    seen = hourly(skerrow_head, store, NOW_MS, DAYS)
    assert len(seen.rain_mm) == DAYS * 24
    assert np.isnan(seen.rain_mm).sum() <= 2
    learned = learn(skerrow_head, seen)
    roof = learned.roofs["bunkhouse"]
    assert roof.events > 10
    assert roof.coefficient == pytest.approx(0.85, abs=0.04)
    assert roof.coefficient_sd < 0.04
    taps = learned.draws["taps"]
    assert taps.days > 40
    assert taps.use == pytest.approx(1.0, abs=0.15)
    # Nobody draws at night.
    assert taps.by_hour[:5].sum() < 0.03
    leak = learned.leaks["main"]
    assert leak.nights > 10
    assert leak.l_h <= 2 * leak.sd_l_h or leak.l_h < 0.3
    # The hut's roof has no meter and shares its tank; irrigation hardly ran after September.
    assert any("ringing-hut" in note for note in spoken(learned.notes))
    facts = gather(skerrow_head, store, NOW_MS)
    assert skerrow_head.design is not None
    outlook = monthly_outlook(skerrow_head.design.rain_mm, *timeline(facts), 60, np.random.default_rng(1))
    wide, narrow = (
        predict(skerrow_head, facts, outlook, np.random.default_rng(2), learned=known) for known in (None, learned)
    )
    assert all(note in narrow.unknown for note in learned.notes)
    assert any("with a usual spread" in sentence for sentence in spoken(wide.unknown))
    assert not any("with a usual spread" in sentence for sentence in spoken(narrow.unknown))
    store.close()


def test_a_planted_leak_is_found_in_its_size(skerrow_head: Site, tmp_path: Path) -> None:
    leak = Fault("leak", "main", NOW_MS - DAYS * DAY_MS, NOW_MS, 4.0)
    store = store_of(skerrow_head, tmp_path, faults=(leak,))
    found = learn(skerrow_head, hourly(skerrow_head, store, NOW_MS, DAYS))
    assert found.leaks["main"].l_h == pytest.approx(4.0, abs=0.8)
    assert any("a leak, evaporation, or a draw too small" in note for note in spoken(found.notes))
    store.close()


def test_nights_after_rain_or_with_water_running_tell_no_leak(skerrow_head: Site) -> None:
    days = 45
    hours = np.arange(days * 24)
    hour, day = hours % 24, hours // 24
    rain, taps = np.zeros(len(hours)), np.zeros(len(hours))
    change = np.full(len(hours), -2.0)
    # Fifteen nights fill the tank after an evening's rain, ten have somebody drawing, twenty are still.
    rain[(day < 15) & (hour == 20)] = 5.0
    change[(day >= 1) & (day < 16) & (hour < 5)] = 12.0
    taps[(day >= 20) & (day < 30) & (hour < 5)] = 30.0
    change -= taps
    change[(hour == 12)] += 60.0
    seen = Hourly(
        NOW_MS - days * DAY_MS,
        rain,
        {"main": 2_500 + np.cumsum(change) * 0.2},
        {"taps": taps, "irrigation": np.zeros(len(hours))},
        {},
    )
    leak = learn(skerrow_head, seen).leaks["main"]
    assert leak.l_h == pytest.approx(0.4, abs=0.01)
    assert 10 <= leak.nights <= 20


def test_a_learnt_leak_empties_the_tank_sooner(skerrow_head: Site, tmp_path: Path) -> None:
    store = store_of(skerrow_head, tmp_path, days=20)
    facts = gather(skerrow_head, store, NOW_MS)
    assert skerrow_head.design is not None
    outlook = monthly_outlook(skerrow_head.design.rain_mm, *timeline(facts), 60, np.random.default_rng(1))
    leaks: tuple[dict[str, Leak], ...] = ({}, {"main": Leak(5.0, 0.1, 30, None)})
    tight, leaky = (
        predict(skerrow_head, facts, outlook, np.random.default_rng(2), learned=Learned(leaks=leak)).tanks[0].volume_l
        for leak in leaks
    )
    # Ten days of 120 L, less what the rain makes up or runs over.
    assert tight.p25[239] - leaky.p25[239] > 200
    store.close()


def test_an_empty_store_teaches_nothing_and_says_so(skerrow_head: Site, tmp_path: Path) -> None:
    store = SqliteStore(tmp_path / "readings.db")
    learned = learn(skerrow_head, hourly(skerrow_head, store, NOW_MS, 20))
    assert (learned.roofs, learned.draws, learned.leaks) == ({}, {}, {})
    assert any("bunkhouse and ringing-hut" in note for note in spoken(learned.notes))
    assert any("taps and irrigation" in note for note in spoken(learned.notes))
    store.close()


def test_a_long_season_of_a_total_is_read_to_its_end(
    skerrow_head: Site, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = store_of(skerrow_head, tmp_path, days=5)
    whole = hourly(skerrow_head, store, NOW_MS, 5)
    monkeypatch.setattr(readings, "PAGE", 50)
    again = hourly(skerrow_head, store, NOW_MS, 5)
    assert not np.isnan(again.rain_mm[-3:]).any()
    np.testing.assert_array_equal(again.rain_mm, whole.rain_mm)
