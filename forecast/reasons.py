"""Why a forecast says what it says, what it was made from, and what it does not know."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from forecast.facts import Facts
from forecast.model.geometry import geometry_of
from forecast.outlook.ensemble import Outlook
from forecast.result import Input
from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS, floor_hour, to_datetime, to_rfc3339
from ingest.site import Site

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
        source = ", ".join(sensor.id for sensor in sensors) or "no sensor in the site file"
        level = facts.levels.get(tank.id)
        every_s = max((sensor.every_s for sensor in sensors), default=0.0)
        listed.append(
            _input(f"level {tank.id}", source, level.time_ms if level else None, facts.now_ms, stale_after_ms(every_s))
        )
    gauges = [sensor for sensor in site.sensor if sensor.measures.startswith("rain.")]
    if gauges:  # without one nothing is missing: `unknowns` says what that means
        source = ", ".join(sensor.id for sensor in gauges)
        every_s = max(sensor.every_s for sensor in gauges)
        listed.append(_input("rain so far", source, facts.rain_last_ms, facts.now_ms, stale_after_ms(every_s)))
    if site.battery:
        source = ", ".join(s.id for s in site.sensors_of("battery.voltage")) or "no sensor in the site file"
        time_ms = facts.battery.time_ms if facts.battery else None
        listed.append(_input("battery voltage", source, time_ms, facts.now_ms, BATTERY_STALE_MS))
    listed.append(Input("rain outlook", outlook.source, outlook.issued_ms, stale=outlook.stale))
    return listed


def reasons(site: Site, facts: Facts, daily_mm: Floats, wanted_l_day: Floats) -> list[str]:
    """The main reasons, each one sentence with its figures.

    daily_mm (days, members); wanted_l_day  of each draw in the coming week (D,)
    """
    said = [_rain(site, facts, daily_mm)]
    for tank in site.tank:
        demand_l_day = sum(
            float(wanted) for draw, wanted in zip(site.draw, wanted_l_day, strict=True) if draw.tank == tank.id
        )
        level = facts.levels.get(tank.id)
        if demand_l_day <= 0 or level is None:
            continue
        usable_l = max(0.0, level.volume_l - geometry_of(tank).dead_l)
        said.append(
            f"{demand_l_day:.0f} L a day wanted from tank {tank.id} in the coming week; the {usable_l:.0f} L that its "
            f"outlet can reach are {usable_l / demand_l_day:.0f} days of that without rain."
        )
    if not wanted_l_day.any():
        said.append("Nobody draws water in the coming week.")
    return said


def unknowns(site: Site, facts: Facts, outlook: Outlook, learned_notes: tuple[str, ...] | None = None) -> list[str]:
    """What is missing or too old, and what the forecast does instead.

    learned_notes  what telemetry could not teach; None: nobody looked
    """
    said = []
    for tank in site.tank:
        level = facts.levels.get(tank.id)
        if level is None:
            said.append(f"No usable level of tank {tank.id}: it may hold anything from empty to full.")
        elif facts.now_ms - level.time_ms > stale_after_ms(
            max(sensor.every_s for sensor in site.sensors_of(f"tank.{tank.id}.level"))
        ):
            said.append(
                f"The level of tank {tank.id} is from {to_rfc3339(level.time_ms)}: "
                "the forecast starts there and is wider for it."
            )
    past = facts.rain_mm[: (floor_hour(facts.now_ms) - facts.rain_start_ms) // HOUR_MS]
    unmeasured_h = int(np.isnan(past).sum())
    if facts.rain_last_ms is None:
        said.append("No rain is measured here: how wet roofs and first-flush chambers are is guessed from the season.")
    elif unmeasured_h:
        said.append(f"Rain was not measured in {unmeasured_h} of the last {len(past)} hours; the season stands in.")
    said += _battery_unknowns(site, facts)
    if outlook.issued_ms is None:
        said.append("No weather forecast is used: the coming rain is what this season brings.")
    if outlook.distinct < FEW_COURSES:
        said.append(f"Only {outlook.distinct} different courses of weather stand behind the outlook.")
    if site.rain_peak_factor is None and any(roof.gutter_capacity_l_min for roof in site.roof):
        said.append("How hard it rains within an hour is not known: what gutters lose in a cloudburst is left out.")
    said += outlook.notes
    as_written = ("Draws and roof coefficients are the site file's figures, with a usual spread about them.",)
    return said + list(as_written if learned_notes is None else learned_notes)


def _battery_unknowns(site: Site, facts: Facts) -> list[str]:
    if site.battery is None:
        return []
    if facts.battery is None:
        return [
            "No battery voltage: its charge is what the balance of the last weeks makes of anything from half to full."
        ]
    if not facts.battery.at_rest:
        return [
            (
                "No battery voltage from the last night: "
                "its charge is what the balance of the last weeks says, corrected by a voltage under load or sun."
            )
        ]
    return []


def _input(name: str, source: str, time_ms: int | None, now_ms: int, stale_ms: int) -> Input:
    if time_ms is None:
        return Input(name, source, missing=True)
    return Input(name, source, time_ms, stale=now_ms - time_ms > max(stale_ms, MINUTE_MS))


def _rain(site: Site, facts: Facts, daily_mm: Floats) -> str:
    week = daily_mm[:7].sum(axis=0)
    low, middle, high = np.quantile(week, [0.1, 0.5, 0.9])
    amount = f"{middle:.0f} mm of rain in the coming week as the middle guess, {low:.0f} to {high:.0f} mm in most cases"
    likely = np.flatnonzero((daily_mm >= _LIKELY_MM).mean(axis=1) >= 0.5)
    if len(likely) == 0:
        return f"{amount}; no single day is likely to be wet."
    day = to_datetime(facts.now_ms + int(likely[0]) * DAY_MS).astimezone(site.zone)
    return f"{amount}; the first day with likely rain is {day:%A} {day.day} {day:%B}."
