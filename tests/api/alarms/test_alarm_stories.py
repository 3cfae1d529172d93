"""Whole stories: readings come in, time passes, and the right person is told once."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from api.alarms.power import BATTERY_LOW
from forecast.result import Input
from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS
from ingest.reading import STUCK
from ingest.site import Site
from tests.api.alarms.conftest import BATTERY, EVERY_MS, LEVEL, USUAL, Watch
from tests.api.fakes import NOW_MS, forecast_of, passage, put, tank_forecast


def changes(found: list[Any]) -> list[tuple[str, str]]:
    return [(entry.alarm, entry.new) for entry in found]


def test_healthy_site_raises_nothing_in_two_days(watch: Watch) -> None:
    assert watch.go(2 * 24 * 60, step_ms=15 * MINUTE_MS) == []
    assert watch.sent() == 0


def test_battery_is_raised_once_after_its_delay_and_tells_figures(watch: Watch) -> None:
    assert watch.go(30, battery=11.9) == []
    raised = watch.go(5, battery=11.9)
    assert changes(raised) == [("battery-low", "unacknowledged")]
    assert raised[0].reason == "Battery 11.90 V at Wed 25 Nov, 12:39: below 12.00 V for 30 minutes."
    assert watch.go(120, battery=11.9) == []
    assert watch.sent() == 1


def test_pump_pulling_the_voltage_down_is_no_alarm(watch: Watch) -> None:
    for _ in range(6):
        assert watch.go(20, battery=11.8) == []
        assert watch.go(20, battery=12.5) == []


def test_weak_battery_on_a_sunny_panel_is_one_alarm_not_one_a_night(watch: Watch) -> None:
    """Four nights below and noons above: without the off-delay it would be four."""
    found = []
    for quarter in range(4 * 24 * 4):
        hour = quarter / 4 % 24
        volts = 12.15 + 0.45 * math.sin((hour - 8) / 24 * 2 * math.pi)
        found += watch.go(15, step_ms=15 * MINUTE_MS, battery=volts)
    assert changes(found) == [("battery-low", "unacknowledged")]


def test_battery_clears_a_whole_day_after_the_last_low_reading(watch: Watch) -> None:
    watch.go(40, battery=11.9)
    assert watch.go(24 * 60 - 30, step_ms=10 * MINUTE_MS, battery=12.4) == []
    cleared = watch.go(60, step_ms=10 * MINUTE_MS, battery=12.4)
    assert changes(cleared) == [("battery-low", "returned")]
    assert "not below 12.05 V for 24 hours" in cleared[0].reason


def test_night_in_which_the_battery_was_silent_does_not_count_as_well(watch: Watch) -> None:
    watch.go(40, battery=11.9)
    for _ in range(3):
        assert watch.go(14 * 60, step_ms=10 * MINUTE_MS, battery=12.5) == []
        watch.clock.now_ms += 10 * HOUR_MS  # nothing is heard, and nobody judges
    assert watch.records.last_transitions("skerrow-head")["battery-low"].new == "unacknowledged"


def test_deadband_neither_raises_nor_clears(watch: Watch) -> None:
    watch.go(40, battery=11.9)
    assert watch.go(48 * 60, step_ms=20 * MINUTE_MS, battery=12.03) == []


def test_restart_notifies_nobody_twice_and_forgets_no_delay(watch: Watch) -> None:
    watch.go(25, battery=11.9)
    watch.restart()  # in the middle of the on-delay
    assert changes(watch.go(10, battery=11.9)) == [("battery-low", "unacknowledged")]
    watch.restart()
    assert watch.go(30, battery=11.9) == []
    watch.go(23 * 60, step_ms=10 * MINUTE_MS, battery=12.6)
    watch.restart()  # in the middle of the off-delay
    assert changes(watch.go(90, step_ms=10 * MINUTE_MS, battery=12.6)) == [("battery-low", "returned")]
    assert watch.sent() == 2


def test_late_old_readings_raise_nothing_in_the_past(watch: Watch) -> None:
    watch.go(60)
    for n in range(12, 36):
        watch.say(BATTERY, 11.0, watch.clock.now_ms - n * EVERY_MS)
        watch.say(LEVEL, 0.2, watch.clock.now_ms - n * EVERY_MS - 1)
    assert watch.engine.tick() == []
    assert watch.go(60) == []


def test_backlog_alone_raises_nothing_for_it_is_not_now(watch: Watch) -> None:
    watch.go(5)
    for n in range(1, 100):
        watch.say(BATTERY, 11.0, NOW_MS - DAY_MS + n * EVERY_MS)
    watch.clock.now_ms += 20 * MINUTE_MS
    assert watch.engine.tick() == []


def test_suspect_values_raise_no_alarm_but_the_sensors_own(watch: Watch) -> None:
    watch.go(5)
    for n in range(12):
        watch.say(BATTERY, 5.0, watch.clock.now_ms - n * 1000 - 1, STUCK)
    assert changes(watch.go(90)) == [("sensor-implausible:post-1", "unacknowledged")]


def test_tank_low_is_about_usable_water(watch: Watch) -> None:
    # 700 L above dead storage stand at 0.12 m + 0.7 m³ / (π·0.8² m²) = 0.468 m.
    assert watch.go(120, level=0.48) == []
    raised = watch.go(120, level=0.45)
    assert changes(raised) == [("tank-low:main", "unacknowledged")]
    assert "664 L can be drawn from tank main" in raised[0].reason
    assert watch.go(10 * 60, level=0.49) == []  # within a tenth of low_l
    assert watch.go(12 * 60, step_ms=15 * MINUTE_MS, level=0.60) == []  # a shower lifted it for a morning
    assert changes(watch.go(13 * 60, step_ms=15 * MINUTE_MS, level=0.60)) == [("tank-low:main", "returned")]


@pytest.mark.parametrize(
    ("doubtful", "raised_after_min"),
    [
        ([], 30),
        ([20], 30),  # noise of one reading, within the deadband
        ([30], 30),  # also of the newest
        ([15, 20], 55),  # two are no noise
    ],
)
def test_noise_of_one_reading_does_not_begin_the_wait_anew(
    watch: Watch, doubtful: list[int], raised_after_min: int
) -> None:
    watch.go(60)
    for minute in range(0, 80, 5):
        if watch.go(5, level=0.475 if minute in doubtful else 0.46):
            break
    assert minute == raised_after_min


def rain(watch: Watch, minutes: float, level: float) -> list[Any]:
    """It rains, a millimetre each step."""
    found = []
    for _ in range(round(minutes / 5)):
        watch.rained_mm += 1.0
        found += watch.go(5, level=level, also={"rain-total": watch.rained_mm})
    return found


def test_a_full_tank_is_no_alarm_until_water_flows_in(watch: Watch) -> None:
    assert watch.go(3 * 60, level=1.793) == []
    assert rain(watch, 10, 1.78) == []
    raised = rain(watch, 15, 1.793)
    assert changes(raised) == [("overflow-now:main", "unacknowledged")]
    assert "at the brim, water flowing in, for 10 minutes" in raised[0].reason


def test_the_trough_of_a_wave_in_a_full_tank_does_not_begin_the_wait_anew(watch: Watch) -> None:
    assert rain(watch, 5, 1.74) == []
    assert rain(watch, 5, 1.793) == []
    assert rain(watch, 5, 1.785) == []
    assert changes(rain(watch, 5, 1.793)) == [("overflow-now:main", "unacknowledged")]


def test_what_was_at_its_brim_is_over_when_the_rain_is_though_nobody_draws(watch: Watch) -> None:
    rain(watch, 30, 1.793)
    mm = {"rain-total": watch.rained_mm}
    assert watch.go(24 * 60, step_ms=10 * MINUTE_MS, level=1.793, also=mm) == []
    over = watch.go(70, level=1.793, also=mm)
    assert changes(over) == [("overflow-now:main", "returned")]
    assert over[0].reason.startswith("Tank main was at its brim, 1.79 m at")


def test_a_rising_level_is_an_inflow_that_no_gauge_saw(watch: Watch) -> None:
    watch.go(30, level=1.70)
    assert changes(watch.go(20, level=1.795)) == [("overflow-now:main", "unacknowledged")]


def test_noise_of_a_full_tank_is_no_inflow(watch: Watch) -> None:
    rng = np.random.default_rng(7)
    noisy = 1.796 + rng.normal(0.0, 0.0057, 2 * 24 * 12)
    assert [change for level in noisy.tolist() for change in watch.go(5, level=level)] == []


def test_silent_device_is_one_alarm_for_all_its_sensors(watch: Watch) -> None:
    watch.go(60)
    raised = watch.go(45, silent=USUAL)
    assert changes(raised) == [("nothing-heard:post-1", "unacknowledged")]
    assert raised[0].reason == "Nothing usable heard from any sensor of post-1 since Wed 25 Nov, 13:04 (35 minutes)."


def test_one_silent_sensor_is_named(watch: Watch) -> None:
    watch.go(60)
    raised = watch.go(45, silent=[LEVEL])
    assert changes(raised) == [("nothing-heard:post-1", "unacknowledged")]
    assert "Nothing usable heard from level of post-1 since" in raised[0].reason


def test_sensor_that_sends_only_suspect_values_is_told_apart_from_silence(watch: Watch) -> None:
    watch.go(60)
    found = []
    for _ in range(9):
        watch.say(LEVEL, 1.06, watch.clock.now_ms + EVERY_MS, STUCK)
        found += watch.go(5, silent=[LEVEL])
    assert changes(found) == [("sensor-implausible:post-1", "unacknowledged")]
    assert found[0].reason == (
        "Values of level of post-1 arrive but cannot be used: the same to the last digit for too long."
    )


def test_heard_again_for_two_hours_clears(watch: Watch) -> None:
    watch.go(60)
    watch.go(45, silent=USUAL)
    assert watch.go(115) == []
    assert changes(watch.go(15)) == [("nothing-heard:post-1", "returned")]


def test_own_downtime_is_not_taken_for_the_devices_silence(watch: Watch) -> None:
    watch.go(60)
    watch.clock.now_ms += DAY_MS
    watch.restart()
    assert watch.engine.tick() == []
    assert watch.go(25, silent=USUAL) == []
    assert changes(watch.go(10, silent=USUAL)) == [("nothing-heard:post-1", "unacknowledged")]


def test_silence_neither_raises_nor_clears_the_other_alarms(watch: Watch) -> None:
    watch.go(40, battery=11.9, level=0.3)
    assert changes(watch.go(26 * 60, silent=USUAL, step_ms=30 * MINUTE_MS)) == [
        ("nothing-heard:post-1", "unacknowledged")
    ]
    states = watch.records.last_transitions("skerrow-head")
    assert (states["battery-low"].new, states["tank-low:main"].new) == ("unacknowledged", "unacknowledged")


def predict(watch: Watch, empty: float = 0.0, over: float = 0.0, **changes: Any) -> None:
    tank = tank_forecast(runs_out=passage([empty]), overflows=passage([over]))
    put(watch.records, forecast_of(issued_ms=watch.clock.now_ms, tanks=[tank], **changes))


def test_likely_to_run_out_is_raised_when_an_hour_of_forecasts_agrees(watch: Watch) -> None:
    found = []
    for empty in (0.6, 0.1, 0.6):
        predict(watch, empty)
        found += watch.go(55)
    assert found == []
    predict(watch, 0.7)
    raised = watch.go(5)
    assert changes(raised) == [("empty-predicted:main", "unacknowledged")]
    assert "Probability that tank main runs out of rain water within 7 days: 70 %" in raised[0].reason


def test_prediction_clears_when_a_day_of_forecasts_agrees(watch: Watch) -> None:
    predict(watch, over=0.9)
    assert changes(watch.go(65)) == [("overflow-predicted:main", "unacknowledged")]
    found = []
    for hour in range(26):
        predict(watch, over=0.5 if hour == 0 else 0.1)
        found += watch.go(60, step_ms=30 * MINUTE_MS)
    assert changes(found) == [("overflow-predicted:main", "returned")]


@pytest.mark.parametrize("stale", [True, False])
def test_stale_forecast_raises_nothing(watch: Watch, stale: bool) -> None:
    predict(watch, 0.9, inputs=[Input("level main", "post-1/level", NOW_MS, stale=stale)])
    assert bool(watch.go(65)) is not stale


def test_tank_at_its_brim_is_not_predicted_to_overflow(watch: Watch) -> None:
    predict(watch, over=1.0)
    assert watch.go(90, level=1.8) == []


def test_unreadable_forecast_is_passed_over(watch: Watch) -> None:
    watch.records.put_forecast("skerrow-head", watch.clock.now_ms, b"{}")
    assert watch.go(65) == []


def test_alarm_of_a_tank_that_is_gone_is_cleared(watch: Watch, tarn_orchard: Site) -> None:
    watch.go(120, level=0.3)
    watch.site = watch.site.model_copy(update={"tank": [watch.site.tank[0].model_copy(update={"low_l": None})]})
    watch.restart()
    assert changes(watch.engine.tick()) == [("tank-low:main", "normal")]


def test_off_delay_of_the_battery_is_a_turn_of_sun_and_night() -> None:
    assert BATTERY_LOW.off_delay_ms == DAY_MS
