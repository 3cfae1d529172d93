"""Why a forecast says what it says, what it was made from, and what it does not know."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from forecast.facts import Facts
from forecast.model.passage import quantiles
from forecast.model.plan import Plan
from forecast.outlook.ensemble import Outlook
from forecast.result import Input, Passage
from forecast.stops import supplies
from ingest import saying
from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS, floor_hour
from ingest.saying import Saying, Sentence, say
from ingest.site import Sensor, Site, Tank

Floats = npt.NDArray[np.float64]

#: An input is stale when three of its readings are missing, and never before two hours.
STALE_READINGS: Final = 3
STALE_AT_LEAST_MS: Final = 2 * HOUR_MS
#: A battery at rest is only seen at night.
BATTERY_STALE_MS: Final = 36 * HOUR_MS
#: Fewer independent courses than this say little about the season.
FEW_COURSES: Final = 20
#: Rain is likely on a day when at least half of the members have this much. [mm]
_LIKELY_MM: Final = 2.0


def stale_after_ms(every_s: float) -> int:
    """Age at which a reading of a sensor heard every `every_s` is stale. [ms]"""
    return max(STALE_AT_LEAST_MS, round(STALE_READINGS * every_s * 1000))


def inputs(site: Site, facts: Facts, outlook: Outlook) -> list[Input]:
    """Everything the forecast was made from, with its time."""
    listed = []
    for tank in site.tank:
        sensors = site.sensors_of(f"tank.{tank.id}.level")
        level = facts.levels.get(tank.id)
        every_s = max((sensor.every_s for sensor in sensors), default=0.0)
        name = say("level {tank}", tank=saying.name(tank.id))
        time_ms = level.time_ms if level else None
        listed.append(_input(name, sensors, time_ms, facts.now_ms, stale_after_ms(every_s)))
    gauges = [sensor for sensor in site.sensor if sensor.measures.startswith("rain.")]
    if gauges:  # without one nothing is missing: `unknowns` says what that means
        every_s = max(sensor.every_s for sensor in gauges)
        listed.append(
            _input(say("measured rain"), gauges, facts.rain_last_ms, facts.now_ms, stale_after_ms(every_s)),
        )
    if site.battery:
        time_ms = facts.battery.time_ms if facts.battery else None
        sensors = site.sensors_of("battery.voltage")
        at_rest = facts.battery is not None and facts.battery.at_rest
        voltage = say("battery voltage of the last night") if at_rest else say("battery voltage")
        listed.append(_input(voltage, sensors, time_ms, facts.now_ms, BATTERY_STALE_MS))
    listed.append(Input(say("rain outlook"), outlook.source, outlook.issued_ms, stale=outlook.stale))
    return listed


def reasons(
    site: Site, plan: Plan, facts: Facts, daily_mm: Floats, wanted_l_day: Floats, stops: dict[int, Passage]
) -> list[Sentence]:
    """The main reasons, each one sentence with its figures.

    daily_mm (days, members); wanted_l_day  of each draw in the coming week (D,)
    stops    when the draws stop that do so before their tanks are down to the outlet, by place in the site file
    """
    said: list[Sentence] = [_rain(facts, daily_mm)]
    said += supplies(site, plan, facts, wanted_l_day, stops, len(daily_mm))
    if not wanted_l_day.any():
        said.append(say("Nobody draws water in the coming week."))
    return said


def unknowns(
    site: Site, facts: Facts, outlook: Outlook, learned_notes: tuple[Saying, ...] | None = None
) -> list[Sentence]:
    """What is missing or too old, and what the forecast does instead.

    learned_notes  what telemetry could not teach; None: nobody looked
    """
    said: list[Sentence] = [note for tank in site.tank for note in _level_unknowns(site, facts, tank)]
    past = facts.rain_mm[: (floor_hour(facts.now_ms) - facts.rain_start_ms) // HOUR_MS]
    unmeasured_h = int(np.isnan(past).sum())
    if facts.rain_last_ms is None:
        gauged = any(sensor.measures.startswith("rain.") for sensor in site.sensor)
        said.append(
            say(
                "Nothing has been heard from the rain gauge: "
                "how wet roofs and first-flush chambers are is guessed from the season."
            )
            if gauged
            else say("No rain is measured here: how wet roofs and first-flush chambers are is guessed from the season.")
        )
    elif unmeasured_h:
        said.append(
            say(
                "Rain was not measured in {missing} of the last {hours}; the season stands in.",
                missing=saying.number(unmeasured_h),
                hours=saying.hours(len(past)),
            )
        )
    said += _battery_unknowns(site, facts)
    if outlook.issued_ms is None:
        said.append(say("No weather forecast is used: the coming rain is what this season brings."))
    if outlook.distinct < FEW_COURSES:
        said.append(
            say(
                "Only {courses} different courses of weather stand behind the outlook.",
                courses=saying.number(outlook.distinct),
            )
        )
    if site.rain_peak_factor is None and any(roof.gutter_capacity_l_min for roof in site.roof):
        said.append(
            say("How hard it rains within an hour is not known: what gutters lose in a cloudburst is left out.")
        )
    said += outlook.notes
    as_written = (say("Draws and roof coefficients are the site file's figures, with a usual spread about them."),)
    return said + list(as_written if learned_notes is None else learned_notes)


def _level_unknowns(site: Site, facts: Facts, tank: Tank) -> list[Saying]:
    level = facts.levels.get(tank.id)
    if level is None:
        return [
            say("No usable level of tank {tank}: it may hold anything from empty to full.", tank=saying.name(tank.id))
        ]
    every_s = max(sensor.every_s for sensor in site.sensors_of(f"tank.{tank.id}.level"))
    if facts.now_ms - level.time_ms <= stale_after_ms(every_s):
        return []
    return [
        say(
            "The level of tank {tank} is from {time}: the forecast starts there and is wider for it.",
            tank=saying.name(tank.id),
            time=saying.instant(level.time_ms),
        )
    ]


def _battery_unknowns(site: Site, facts: Facts) -> list[Saying]:
    if site.battery is None:
        return []
    if facts.battery is None:
        return [
            say(
                "No battery voltage: its charge is what the balance of the last weeks makes of anything "
                "from half to full."
            )
        ]
    if not facts.battery.at_rest:
        return [
            say(
                "No battery voltage from the last night: its charge is what the balance of the last weeks says, "
                "corrected by a voltage under load or sun."
            )
        ]
    return []


def _input(name: Saying, sensors: Sequence[Sensor], time_ms: int | None, now_ms: int, stale_ms: int) -> Input:
    source: Sentence = ", ".join(sensor.id for sensor in sensors) or say("no sensor in the site file")
    if time_ms is None:
        return Input(name, source, missing=True)
    return Input(name, source, time_ms, stale=now_ms - time_ms > max(stale_ms, MINUTE_MS))


def _rain(facts: Facts, daily_mm: Floats) -> Saying:
    week = daily_mm[:7].sum(axis=0)
    low, middle, high = quantiles(week, (0.1, 0.5, 0.9)).tolist()
    amount = {
        "middle": saying.millimetres(round(middle)),
        "low": saying.number(round(low)),
        "high": saying.millimetres(round(high)),
    }
    likely = np.flatnonzero((daily_mm >= _LIKELY_MM).mean(axis=1) >= 0.5)
    if len(likely) == 0:
        return say(
            "{middle} of rain in the coming week as the middle guess, {low} to {high} in most cases; "
            "no single day is likely to be wet.",
            **amount,
        )
    return say(
        "{middle} of rain in the coming week as the middle guess, {low} to {high} in most cases; "
        "the first day with likely rain is {day}.",
        day=saying.day(facts.now_ms + int(likely[0]) * DAY_MS),
        **amount,
    )
