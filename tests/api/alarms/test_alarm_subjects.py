"""Each subject's own stories: what raises it, what clears it, and what must not."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from forecast.result import BatteryForecast, Input
from ingest.errors import StoreUnavailable
from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS, from_rfc3339
from ingest.reading import AHEAD_OF_CLOCK, TIME_OF_ARRIVAL, Reading
from ingest.site import Sensor, Upkeep
from ingest.store.records import LogEntry
from ingest.watch import BROKER_SITE, WELL
from tests.api.alarms.conftest import BATTERY, LEVEL, USUAL, Watch
from tests.api.fakes import falling, forecast_of, passage, put, tank_forecast

SITE = "skerrow-head"


def changes(found: list[Any]) -> list[tuple[str, str]]:
    return [(entry.alarm, entry.new) for entry in found]


def with_sensor(watch: Watch, name: str, measures: str) -> None:
    sensor = Sensor(device="post-1", name=name, measures=measures, every_s=300.0)
    watch.site = watch.site.model_copy(update={"sensor": [*watch.site.sensor, sensor]})
    watch.restart()


def hourly(watch: Watch, hours: int, **told: Any) -> None:
    """Let hours pass before anybody watches: each sensor speaks four times an hour. told: value by hour."""
    start = watch.clock.now_ms
    for quarter in range(hours * 4):
        time_ms = start + quarter * HOUR_MS // 4
        for sensor, usual in USUAL.items():
            value = told.get(sensor.partition("/")[2].replace("-", "_"))
            watch.say(sensor, usual if value is None else value(quarter / 4), time_ms)
    watch.clock.now_ms = start + hours * HOUR_MS
    watch.restart()


def write_down(watch: Watch, kind: str, part: str, time_ms: int) -> None:
    watch.records.append_log(LogEntry(SITE, time_ms, kind, part, "warden"))


def at_noon(watch: Watch) -> None:
    watch.clock.now_ms = from_rfc3339("2026-11-01T12:00:00Z")


def test_two_dry_nights_that_fall_are_a_leak_and_two_that_do_not_end_it(watch: Watch) -> None:
    at_noon(watch)
    # 8 L an hour out of 2.01 m² of tank.
    hourly(watch, 60, level=lambda hour: 1.5 - 0.004 * hour)
    raised = watch.engine.tick()
    assert changes(raised) == [("leak-suspected:main", "unacknowledged")]
    assert raised[0].reason.startswith("Tank main lost 8 L an hour in the last 2 dry nights, the last until Tue 3 Nov")
    assert {reading.sensor for reading in raised[0].evidence} == {LEVEL}
    hourly(watch, 18, level=lambda hour: 1.26)
    assert watch.engine.tick() == []  # one night says one thing, the other another
    hourly(watch, 24, level=lambda hour: 1.26)
    assert changes(watch.engine.tick()) == [("leak-suspected:main", "returned")]


def test_a_small_leak_under_a_noisy_level_is_told_by_its_nights_together(watch: Watch) -> None:
    at_noon(watch)
    rng = np.random.default_rng(3)
    # 4 L an hour; of each night of 21 levels alone it would hardly stand out.
    hourly(watch, 60, level=lambda hour: 1.5 - 0.002 * hour + rng.normal(0.0, 0.004))
    falls = watch.engine.tick()
    assert changes(falls) == [("leak-suspected:main", "unacknowledged")]


def test_nights_of_an_empty_tank_do_not_speak_against_a_leak(watch: Watch) -> None:
    at_noon(watch)
    # A night's fall, then days at the floor, a shower, and a night's fall again: with all nights two would say nothing.
    emptied = {hour: max(0.0, 0.10 - 0.004 * hour) for hour in range(5 * 24)}
    hourly(
        watch,
        7 * 24,
        level=lambda hour: emptied[int(hour)] if hour < 5 * 24 else max(0.0, 0.14 - 0.004 * (hour - 5 * 24)),
        rain_total=lambda hour: 100.0 if hour < 5 * 24 else 103.0,
    )
    assert ("leak-suspected:main", "unacknowledged") in changes(watch.engine.tick())


def test_a_night_with_a_draw_or_rain_is_no_leak(watch: Watch) -> None:
    at_noon(watch)
    hourly(watch, 60, level=lambda hour: 1.5 - 0.004 * hour, taps_total=lambda hour: 1e3 + 8 * hour)
    assert watch.engine.tick() == []
    at_noon(watch)
    watch.clock.now_ms += 10 * DAY_MS
    hourly(watch, 60, level=lambda hour: 1.5 - 0.004 * hour, rain_total=lambda hour: 100 + 0.2 * (hour // 10))
    assert changes(watch.engine.tick()) == []


def test_rain_that_brings_nothing_is_told_and_the_next_that_does_ends_it(watch: Watch) -> None:
    at_noon(watch)
    hourly(watch, 48, rain_total=lambda hour: 100 + (0 if hour < 30 else min(12, hour - 30)))
    raised = watch.engine.tick()
    assert changes(raised) == [("rain-without-inflow:bunkhouse", "unacknowledged")]
    assert raised[0].reason == (
        "12 mm of rain in the last 24 hours should bring about 768 L from roof bunkhouse; 0 L came."
    )
    hourly(watch, 30, rain_total=lambda hour: 112)
    assert watch.engine.tick() == []  # dry again: nothing tells
    hourly(watch, 20, rain_total=lambda hour: 112 + min(12, hour), inflow_total=lambda hour: 1e4 + 60 * min(12, hour))
    assert changes(watch.engine.tick()) == [("rain-without-inflow:bunkhouse", "returned")]


def test_little_rain_tells_nothing(watch: Watch) -> None:
    at_noon(watch)
    hourly(watch, 48, rain_total=lambda hour: 100 + (0 if hour < 30 else min(3, hour - 30)))
    assert watch.engine.tick() == []


def test_a_pump_that_gives_nothing_is_told_after_ten_minutes(watch: Watch) -> None:
    with_sensor(watch, "pump", "pump.running")
    watch.go(30, pump=0.0)
    assert watch.go(10, pump=1.0) == []
    raised = watch.go(5, pump=1.0)
    assert changes(raised) == [("pump-without-flow", "unacknowledged")]
    assert watch.go(60, pump=0.0) == []  # at rest it is neither well nor ill
    flow_l_h = 14 * 60.0
    assert changes(watch.go(15, pump=1.0, also={"irrigation-flow": flow_l_h})) == [("pump-without-flow", "returned")]


def test_a_pump_that_draws_near_the_outlet_is_told_in_two_readings(watch: Watch) -> None:
    watch.go(24 * 60, step_ms=30 * MINUTE_MS, level=0.15)  # low, and nobody pumps
    assert changes(watch.go(5, level=0.15, also={"irrigation-flow": 800.0})) == []
    assert changes(watch.go(5, level=0.15, also={"irrigation-flow": 800.0})) == [
        ("pump-near-outlet:main", "unacknowledged")
    ]


def open_backup(watch: Watch, minutes: int, litres_a_step: float) -> list[Any]:
    write_down(watch, "backup-opened", "borehole", watch.clock.now_ms)
    total, found = USUAL["post-1/taps-total"], []
    for _ in range(minutes // 5):
        total += litres_a_step
        found += watch.go(5, also={"taps-total": total})
    return found


def test_rain_water_drawn_beside_an_open_backup_is_a_cross_connection(watch: Watch) -> None:
    watch.go(30)
    raised = open_backup(watch, 60, 1.0)
    assert changes(raised) == [("both-supplies-open", "unacknowledged")]
    assert "3 L of rain water were drawn beside it" in raised[0].reason
    assert raised[0].reason.startswith("By the site's log the backup supply has been open since ")
    assert raised[0].reason.endswith("If it is shut by now, write that down.")
    write_down(watch, "backup-closed", "borehole", watch.clock.now_ms)
    assert changes(watch.go(5)) == [("both-supplies-open", "returned")]


def test_a_change_over_within_half_an_hour_is_none(watch: Watch) -> None:
    watch.go(30)
    write_down(watch, "backup-opened", "borehole", watch.clock.now_ms)
    watch.go(25, also={"taps-total": USUAL["post-1/taps-total"] + 20})
    assert watch.go(13 * 60, step_ms=10 * MINUTE_MS, also={"taps-total": USUAL["post-1/taps-total"] + 20}) == []


def test_warm_water_is_told_after_half_a_day(watch: Watch) -> None:
    with_sensor(watch, "water", "tank.main.temperature")
    assert watch.go(11 * 60, step_ms=15 * MINUTE_MS, water=26.0) == []
    raised = watch.go(75, step_ms=15 * MINUTE_MS, water=26.0)
    assert changes(raised) == [("water-warm:main", "unacknowledged")]
    assert "26 °C" in raised[0].reason


def test_water_that_nobody_draws_for_two_weeks_is_told(watch: Watch) -> None:
    at_noon(watch)
    hourly(watch, 16 * 24)
    assert "water-standing:main" in dict(changes(watch.engine.tick()))


def test_water_in_use_does_not_stand(watch: Watch) -> None:
    at_noon(watch)
    hourly(watch, 16 * 24, taps_total=lambda hour: 1e3 + 70 * (hour // 24))
    assert watch.engine.tick() == []


def test_a_chamber_emptied_by_hand_is_due_when_rain_has_filled_it(watch: Watch) -> None:
    roof = watch.site.roof[0]
    assert roof.first_flush is not None
    chamber = roof.first_flush.model_copy(update={"drip_l_h": 0.0})
    roofs = [roof.model_copy(update={"first_flush": chamber}), watch.site.roof[1]]
    watch.site = watch.site.model_copy(update={"roof": roofs})
    at_noon(watch)
    write_down(watch, "first-flush-emptied", "bunkhouse", watch.clock.now_ms)
    rain = lambda hour: 100 + 0.25 * min(8, hour)  # noqa: E731
    inflow = lambda hour: 1e4 + 20 * min(8, hour)  # noqa: E731
    hourly(watch, 20, rain_total=rain, inflow_total=inflow)
    assert changes(watch.engine.tick()) == [("first-flush-due:bunkhouse", "unacknowledged")]
    write_down(watch, "first-flush-emptied", "bunkhouse", watch.clock.now_ms)
    watch.restart()
    assert changes(watch.engine.tick()) == [("first-flush-due:bunkhouse", "returned")]


def test_upkeep_is_due_by_the_log_and_never_by_guess(watch: Watch) -> None:
    watch.site = watch.site.model_copy(update={"upkeep": [Upkeep(id="clean-gutters", every_days=100)]})
    watch.restart()
    assert watch.go(10) == []
    write_down(watch, "upkeep", "clean-gutters", watch.clock.now_ms - 100 * DAY_MS)
    raised = watch.go(5)
    assert changes(raised) == [("upkeep-due:clean-gutters", "unacknowledged")]
    assert raised[0].reason.startswith("clean-gutters is due every 100 days; it was last done on Monday 17 August")
    write_down(watch, "upkeep", "clean-gutters", watch.clock.now_ms)
    assert changes(watch.go(5)) == [("upkeep-due:clean-gutters", "returned")]


def test_the_collectors_silence_folds_that_of_all_devices(watch: Watch) -> None:
    watch.go(30)
    watch.readings.write([Reading(BROKER_SITE, watch.clock.now_ms, WELL, 1.0)])
    found = watch.go(60, silent=USUAL)
    assert [(entry.alarm, entry.muted) for entry in found] == [
        ("nothing-arrives", ""),
        ("nothing-heard:post-1", "folded:nothing-arrives"),
    ]
    assert watch.sent() == 1


def test_a_broker_that_takes_nothing_is_told_at_once(watch: Watch) -> None:
    watch.go(10)
    watch.readings.write([Reading(BROKER_SITE, watch.clock.now_ms, WELL, 0.0)])
    assert changes(watch.go(5)) == [("nothing-arrives", "unacknowledged")]


def test_a_store_that_cannot_be_read_is_told_and_so_is_its_return(watch: Watch) -> None:
    watch.go(10)
    watch.readings.failure = StoreUnavailable("the disk is away")
    for _ in range(3):
        watch.clock.now_ms += 3 * MINUTE_MS
        with pytest.raises(StoreUnavailable):
            watch.engine.tick()
    assert watch.records.last_transitions(BROKER_SITE)["store-failing"].new == "unacknowledged"
    watch.readings.failure = None
    assert ("store-failing", "returned") in changes(watch.go(20))


def test_a_forecaster_that_stopped_is_told_unless_the_level_is_gone(watch: Watch) -> None:
    put(watch.records, forecast_of(issued_ms=watch.clock.now_ms))
    assert watch.go(175) == []
    assert changes(watch.go(10)) == [("forecast-stale", "unacknowledged")]


def test_no_forecast_for_want_of_a_level_is_no_alarm_of_its_own(watch: Watch) -> None:
    put(watch.records, forecast_of(issued_ms=watch.clock.now_ms))
    found = watch.go(190, silent=[LEVEL])
    assert [(entry.alarm, entry.muted) for entry in found] == [
        ("nothing-heard:post-1", ""),
        ("forecast-stale", "folded:nothing-heard:post-1"),
    ]


def test_an_old_weather_outlook_is_told_after_six_hours(watch: Watch) -> None:
    found = []
    for _ in range(8):
        old = Input("rain outlook", "a service", watch.clock.now_ms - DAY_MS, stale=True)
        put(watch.records, forecast_of(issued_ms=watch.clock.now_ms, inputs=[old]))
        found += watch.go(60, step_ms=15 * MINUTE_MS)
    assert changes(found) == [("outlook-stale", "unacknowledged")]


def test_a_battery_on_its_way_to_the_cutoff_is_told_before(watch: Watch) -> None:
    battery = BatteryForecast(0.3, falling(0.3, 0.02, 0.02, 0, 1), passage((0.3, 0.8)))
    put(watch.records, forecast_of(issued_ms=watch.clock.now_ms, battery=battery))
    raised = watch.go(65)
    assert changes(raised) == [("battery-cutoff-predicted", "unacknowledged")]
    assert "within 2 days: 80 %" in raised[0].reason


def test_an_overflow_to_come_tells_litres_and_the_worst_flow(watch: Watch) -> None:
    tank = tank_forecast(overflows=passage([0.9]), spill_l=falling(900, -100, 200, 0, 9999), spill_peak_l_min=42.0)
    put(watch.records, forecast_of(issued_ms=watch.clock.now_ms, tanks=[tank]))
    raised = watch.go(65)
    assert changes(raised) == [("overflow-predicted:main", "unacknowledged")]
    assert "About 1,200 L then, 1,800 L in a bad case, at up to 42 L/min as an hour's mean" in raised[0].reason


def test_a_device_whose_clock_is_ahead_cannot_be_believed(watch: Watch) -> None:
    watch.go(60)
    found = []
    for _ in range(9):
        watch.say(BATTERY, 12.6, watch.clock.now_ms + 2 * HOUR_MS, AHEAD_OF_CLOCK)
        found += watch.go(5, silent=[BATTERY])
    assert changes(found) == [("sensor-implausible:post-1", "unacknowledged")]
    assert "dated in the future" in found[0].reason


def test_a_new_device_whose_clock_is_ahead_is_told_soon(watch: Watch) -> None:
    """It sends for how long it has run: by SenML a time relative to its arrival (RFC 8428, section 4.5.3)."""
    found = []
    for _ in range(3):
        for sensor in USUAL:
            watch.say(sensor, USUAL[sensor], watch.clock.now_ms + 2 * HOUR_MS, AHEAD_OF_CLOCK | TIME_OF_ARRIVAL)
        found += watch.go(5, silent=USUAL)
    assert changes(found) == [("sensor-implausible:post-1", "unacknowledged")]
    assert found[0].reason.endswith("of post-1 arrive but cannot be used: dated in the future.")


def test_a_device_that_asks_the_time_after_its_first_reading_is_no_fault(watch: Watch) -> None:
    for sensor in USUAL:
        watch.say(sensor, USUAL[sensor], watch.clock.now_ms + 2 * HOUR_MS, AHEAD_OF_CLOCK)
    assert watch.go(20, silent=USUAL) == []
    assert watch.go(60) == []


def test_a_clock_years_ahead_is_told_from_what_it_left_behind(watch: Watch) -> None:
    """It is not among the readings of any day near, and stays where it is when the device falls silent."""
    watch.go(60)
    found = []
    for _ in range(9):
        watch.say(BATTERY, 12.6, watch.clock.now_ms + 1000 * DAY_MS, AHEAD_OF_CLOCK)
        found += watch.go(5, silent=[BATTERY])
    assert changes(found) == [("sensor-implausible:post-1", "unacknowledged")]
    silent = watch.go(60, silent=[BATTERY])
    assert ("nothing-heard:post-1", "unacknowledged") in changes(silent)


def test_a_forecast_document_is_read_once(watch: Watch, monkeypatch: pytest.MonkeyPatch) -> None:
    put(watch.records, forecast_of(issued_ms=watch.clock.now_ms))
    read = []
    original = watch.records.forecasts

    def forecasts(*span: Any) -> list[bytes]:
        read.append(span)
        return original(*span)

    monkeypatch.setattr(watch.records, "forecasts", forecasts)
    watch.go(60)
    assert len(read) == 1
