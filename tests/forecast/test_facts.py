"""From stored readings to facts."""

from __future__ import annotations

import numpy as np
import pytest

from forecast.facts import gather
from forecast.worker import forecast_site
from ingest.errors import ForecastUnavailable
from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS
from ingest.reading import OUT_OF_RANGE, Reading
from ingest.site import Site
from ingest.store.sqlite import SqliteStore
from tests.forecast.conftest import NOW_MS, levels


def test_the_level_is_the_median_of_the_last_readings_and_suspect_ones_do_not_count(
    store: SqliteStore, skerrow_head: Site
) -> None:
    store.write([*levels({30: 1.00, 25: 1.01, 20: 1.75, 15: 1.00, 10: 1.02}), *levels({5: 9.0}, OUT_OF_RANGE)])
    level = gather(skerrow_head, store, NOW_MS).levels["main"]
    assert level.level_m == 1.01
    assert level.time_ms == NOW_MS - 10 * MINUTE_MS
    # 4 mm of noise on 2.01 m², five readings: 4.5 L.
    assert level.sd_l == pytest.approx(4.5, abs=0.2)


def test_of_a_tank_that_may_be_empty_the_level_of_a_day_before_is_known_too(
    store: SqliteStore, skerrow_head: Site
) -> None:
    day, outlet_m = 24 * 60, skerrow_head.tank[0].outlet_height_m
    store.write(levels({day + 600: outlet_m + 0.3, day + 40: outlet_m, day + 30: outlet_m + 0.004, 10: outlet_m}))
    before = gather(skerrow_head, store, NOW_MS).before["main"]
    # Two readings of the day before: 4 mm on 2.01 m², 7.1 L.
    assert (before.level_m, before.time_ms) == (outlet_m + 0.002, NOW_MS - (day + 30) * MINUTE_MS)
    assert before.sd_l == pytest.approx(7.1, abs=0.2)
    store.write(levels({5: outlet_m + 0.5, 4: outlet_m + 0.5, 3: outlet_m + 0.5}))
    assert gather(skerrow_head, store, NOW_MS).before == {}
    assert gather(skerrow_head, store, NOW_MS - 3 * day * MINUTE_MS).before == {}


def test_facts_are_those_of_their_time(store: SqliteStore, skerrow_head: Site) -> None:
    store.write(levels({120: 0.8, 10: 1.2, -60: 1.5}))
    assert gather(skerrow_head, store, NOW_MS).levels["main"].level_m == 1.2
    assert gather(skerrow_head, store, NOW_MS - HOUR_MS).levels["main"].level_m == 0.8


def test_a_level_of_last_month_is_no_level(store: SqliteStore, skerrow_head: Site) -> None:
    store.write(levels({30 * 24 * 60: 1.0}))
    assert gather(skerrow_head, store, NOW_MS).levels == {}
    with pytest.raises(ForecastUnavailable, match="no usable level"):
        forecast_site(skerrow_head, store, None, NOW_MS)


def test_rain_is_what_the_total_rose_by_and_unmeasured_hours_are_not_dry(
    store: SqliteStore, skerrow_head: Site
) -> None:
    hour = NOW_MS - NOW_MS % HOUR_MS - 5 * HOUR_MS
    totals = [(0, 10.0), (30, 11.0), (60, 13.0), (90, 13.0), (120, 13.0)]
    rain = [Reading("skerrow-head", hour + m * MINUTE_MS, "post-1/rain-total", value) for m, value in totals]
    store.write([*rain, *levels({10: 1.0})])
    facts = gather(skerrow_head, store, NOW_MS)
    first = (hour - facts.rain_start_ms) // HOUR_MS
    np.testing.assert_allclose(facts.rain_mm[first : first + 2], [3.0, 0.0])
    assert np.isnan(facts.rain_mm[:first]).all()
    assert np.isnan(facts.rain_mm[first + 2 :]).all()
    assert facts.rain_last_ms == hour + 2 * HOUR_MS


def test_the_battery_is_read_at_night(store: SqliteStore, skerrow_head: Site) -> None:
    midnight = NOW_MS - NOW_MS % DAY_MS
    store.write(
        [
            Reading("skerrow-head", midnight + hours * HOUR_MS, "post-1/battery", volts)
            for hours, volts in [(1, 12.6), (2, 12.5), (3, 12.5), (9, 13.8), (10, 14.1)]
        ]
    )
    battery = gather(skerrow_head, store, NOW_MS).battery
    assert battery is not None
    assert (battery.volts, battery.at_rest) == (12.5, True)


def test_hours_of_a_total_heard_often_agree_with_every_reading(store: SqliteStore, skerrow_head: Site) -> None:
    rng = np.random.default_rng(3)
    start = NOW_MS - NOW_MS % HOUR_MS - 48 * HOUR_MS
    times = np.arange(start, NOW_MS, 5 * MINUTE_MS)
    total = np.cumsum(rng.exponential(0.4, len(times)) * (rng.random(len(times)) < 0.1))
    total[300:] -= total[300] - 0.2  # the gauge was changed
    store.write(
        [Reading("skerrow-head", int(t), "post-1/rain-total", float(v)) for t, v in zip(times, total, strict=True)]
    )
    store.write(levels({10: 1.0}))
    facts = gather(skerrow_head, store, NOW_MS)
    slow = skerrow_head.model_copy(
        update={"sensor": [s.model_copy(update={"every_s": 3600.0}) for s in skerrow_head.sensor]}
    )
    exact = gather(slow, store, NOW_MS)
    past = slice((start - facts.rain_start_ms) // HOUR_MS, len(facts.rain_mm) - 1)
    changed = (int(times[300]) - 1 - start) // HOUR_MS
    np.testing.assert_allclose(
        np.delete(facts.rain_mm[past], changed), np.delete(exact.rain_mm[past], changed), atol=1e-9
    )
    assert facts.rain_last_ms == exact.rain_last_ms


def test_after_midnight_the_battery_rests_in_the_night_that_has_begun(store: SqliteStore, skerrow_head: Site) -> None:
    midnight = NOW_MS - NOW_MS % DAY_MS
    volts = {-22: 12.9, -20: 12.8, -3: 12.2, 1: 12.6}
    store.write(
        [Reading("skerrow-head", midnight + hour * HOUR_MS, "post-1/battery", value) for hour, value in volts.items()]
    )
    tonight = gather(skerrow_head, store, midnight + 2 * HOUR_MS).battery
    assert tonight is not None
    assert (tonight.volts, tonight.at_rest) == (12.6, True)
    evening = gather(skerrow_head, store, midnight - 2 * HOUR_MS).battery
    assert evening is not None
    assert evening.volts == pytest.approx(12.85)
