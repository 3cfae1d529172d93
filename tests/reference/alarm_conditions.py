"""When each alarm had to be raised, and when it may have been, by what the simulator knows and no sensor told.

`must`: the condition held beyond the sensors' noise for the whole delay, while the sensors spoke.
`may`: it held within the noise, or had just before. Both by minute. What stands between is no mistake.
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np

from api.alarms.health import STANDING_DAYS
from api.alarms.pump import NEAR_M
from api.alarms.types import ALARM_TYPES
from forecast.model.geometry import geometry_of
from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS
from tests.reference.alarm_year import START_MS, Year

Minutes = np.ndarray[Any, Any]
_H: Final = 60
_D: Final = 24 * 60
#: Twice the noise of the battery's and the level's sensor. [V], [m]
_V2: Final = 0.04
_M2: Final = 0.008


class Condition(NamedTuple):
    """One alarm's truth by minute, and the delay after which it is due, with the sensor's own interval. [min]"""

    alarm: str
    must: Minutes
    may: Minutes
    due_min: int


def conditions(year: Year) -> list[Condition]:
    """Every alarm of the site that the year can tell of."""
    site, of = year.site, year.minutes
    tank, battery = site.tank[0], site.battery
    assert battery is not None
    assert tank.low_l is not None
    geometry = geometry_of(tank)
    usable_l = of["volume_l"] - geometry.dead_l
    noise_l = _M2 * float(geometry.surface_m2(1.0)) * 1000
    level_heard, post_heard, other_heard = (_heard(year, part) for part in ("post-1/level", "post-1", "post-2"))
    level_true = level_heard & ~_during(year, "sensor-stuck", "post-1/level", 24 * _H)
    volts_true = post_heard & ~_during(year, "sensor-stuck", "post-1/battery", 24 * _H)
    volts, level = of["volts"], of["level_m"]
    came = _within(of["inflow_l"], 60)
    full = level >= tank.overflow_height_m - 0.002
    near = tank.outlet_height_m + NEAR_M
    running = of["pump"] > 0.5
    return [
        _lasting("battery-low", (volts < battery.low_v - _V2) & volts_true, volts < battery.low_v + _V2, 5),
        _lasting("tank-low:main", (usable_l < tank.low_l - noise_l) & level_true, usable_l < tank.low_l + noise_l, 5),
        _lasting(
            "overflow-now:main",
            full & (_within(of["overflow_l"], 20) > 5) & (_within(of["inflow_l"], 20) > 10) & level_true,
            (level > tank.overflow_height_m - 0.05)
            & (
                (came > 0.3) | (_within(of["rain_mm"], 90) > 0)
                | (_within(of["overflow_l"], 90) > 0) | (_within(of["backup"], 60) > 0)
            ),
            5,
        ),
        _lasting(
            "pump-without-flow", _planted(year, "pump-dry", "") & running & post_heard & other_heard,
            _within(_planted(year, "pump-dry", "").astype(float), 60) > 0, 10,
        ),
        _lasting(
            "pump-near-outlet:main", (level < near - _M2) & (of["pump"] > 0.9) & level_true & other_heard,
            (level < near + 2 * _M2) & (_within(of["pump"], 20) > 0), 10,
        ),
        _leak(year),
        _no_inflow(year),
        _both_open(year, post_heard & other_heard),
        _standing(year, level_true),
        *_silences(year),
        *_implausible(year),
        _first_flush(year, other_heard & post_heard),
        *_upkeep(year),
        Condition("water-warm:main", of["water_cel"] > 25.3, of["water_cel"] > 24.7, 13 * _H),
    ]  # fmt: skip


def _lasting(alarm: str, must: Minutes, may: Minutes, interval_min: int) -> Condition:
    """A condition that has to last through the type's on-delay."""
    kind = ALARM_TYPES[alarm.partition(":")[0]]
    return Condition(alarm, must, may, kind.on_delay_ms // MINUTE_MS + interval_min)


def _within(minutes: Minutes, span_min: int) -> Minutes:
    """Sums of the last `span_min` minutes."""
    total = np.concatenate([[0.0], np.cumsum(minutes)])
    index = np.arange(1, len(total))
    return np.asarray(total[index] - total[np.maximum(0, index - span_min)])


def _span(year: Year, start_ms: float, end_ms: float) -> Minutes:
    out = np.zeros(year.days * _D, dtype=bool)
    first, last = (int(max(0, (edge - START_MS) // MINUTE_MS)) for edge in (start_ms, end_ms))
    out[first:last] = True
    return out


def _planted(year: Year, kind: str, part: str, after_ms: int = 0, beyond_ms: int = 0) -> Minutes:
    out = np.zeros(year.days * _D, dtype=bool)
    for fault in year.faults:
        if fault.kind == kind and fault.part == part and fault.end_ms is not None:
            out |= _span(year, fault.start_ms + after_ms, fault.end_ms + beyond_ms)
    return out


def _during(year: Year, kind: str, part: str, beyond_min: int) -> Minutes:
    return _planted(year, kind, part, beyond_ms=beyond_min * MINUTE_MS)


def _heard(year: Year, part: str) -> Minutes:
    """Whether a sensor or device has been heard for the last hours, so that it can be judged."""
    device, spoilt = part.partition("/")[0], np.zeros(year.days * _D, dtype=bool)
    for fault in year.faults:
        if fault.kind in ("sensor-silent", "clock-wrong", "sensor-spikes") and fault.part in (part, device):
            spoilt |= _span(year, fault.start_ms, (fault.end_ms or 0) + 3 * HOUR_MS)
    for held, start_ms, end_ms in year.late:
        if held == device:
            spoilt |= _span(year, start_ms, end_ms + HOUR_MS)
    spoilt[: 2 * _H] = True  # the watch has just begun
    return ~spoilt


def _leak(year: Year) -> Condition:
    """Due once two nights have been dry and unused since it began; not before the watch knows twelve dry hours."""
    must, may = np.zeros(year.days * _D, dtype=bool), np.zeros(year.days * _D, dtype=bool)
    rain, taps = year.minutes["rain_mm"], year.minutes["drawn_l"]
    heard = _heard(year, "post-1/level")
    for fault in (fault for fault in year.faults if fault.kind == "leak"):
        first, last = (int((edge - START_MS) // MINUTE_MS) for edge in (fault.start_ms, fault.end_ms or 0))
        nights = []
        for day in range(first // _D + 1, last // _D + 1):
            # From the clock change on, local night begins an hour earlier.
            for end in (day * _D + 5 * _H,):
                quiet = rain[end - 19 * _H : end].sum() < 0.05 and taps[end - 7 * _H : end].sum() == 0
                water = year.minutes["volume_l"][end - 1] > 20  # an empty tank loses nothing
                if quiet and water and end - 7 * _H > first and heard[end - 7 * _H : end].all():
                    nights.append(end)
        if len(nights) >= 2:
            must[nights[1] : last] = True
        may |= _span(year, fault.start_ms, (fault.end_ms or 0) + 8 * DAY_MS)
    return Condition("leak-suspected:main", must, may, 70)


def _no_inflow(year: Year) -> Condition:
    """Due once a day's rain since it began should have brought much, and next to nothing came."""
    roof = year.site.roof[0]
    area = roof.plan_area_m2 * roof.runoff_coefficient
    flush_l = roof.first_flush.volume_l if roof.first_flush else 0.0
    rain, caught = (_within(year.minutes[name], _D) for name in ("rain_mm", "caught_l"))
    wanted = area * np.maximum(0.0, rain - roof.wetting_loss_mm) - flush_l
    much = wanted > 1.15 * max(50.0, 4.0 * area)
    faulty = np.zeros(len(rain), dtype=bool)
    may = np.zeros(len(rain), dtype=bool)
    for kind in ("gutter-blocked", "first-flush-open"):
        faulty |= _planted(year, kind, roof.id, after_ms=DAY_MS)
        may |= _planted(year, kind, roof.id, beyond_ms=2 * DAY_MS)
    heard = _within((~_heard(year, "post-1")).astype(float), 26 * _H) == 0
    # Hourly sums: the condition has to stand at two of them.
    return Condition(
        f"rain-without-inflow:{roof.id}", faulty & much & (caught < 0.2 * wanted) & heard, may, 2 * _H + 15
    )


def _both_open(year: Year, heard: Minutes) -> Condition:
    must, may = np.zeros(len(heard), dtype=bool), np.zeros(len(heard), dtype=bool)
    for fault in (fault for fault in year.faults if fault.kind == "both-supplies-open"):
        first, last = (int((edge - START_MS) // MINUTE_MS) for edge in (fault.start_ms, fault.end_ms or 0))
        drawn = np.cumsum(year.minutes["taps_l"][first + 36 : last])
        enough = np.flatnonzero(drawn > 4.0)
        if len(enough):
            must[first + 36 + int(enough[0]) : last] = True
        may[first : last + _H] = True
    return Condition("both-supplies-open", must & heard, may, 10)


def _standing(year: Year, heard: Minutes) -> Condition:
    used = _within(year.minutes["drawn_l"], 14 * _D)
    lasts = year.minutes["volume_l"] / np.maximum(used / 14, 1e-6)
    tank = geometry_of(year.site.tank[0])
    # Of a tank that is all but empty, the rule says nothing.
    known = (np.arange(len(lasts)) > 16 * _D) & (year.minutes["volume_l"] - tank.dead_l > 0.06 * tank.capacity_l)
    silent = _within((~_heard(year, "post-1")).astype(float), 15 * _D) > 0
    return Condition("water-standing:main", (lasts > 1.06 * STANDING_DAYS) & known & heard & ~silent,
                     _within((lasts > 0.94 * STANDING_DAYS).astype(float), 2 * _D) > 0, _D + 2 * _H)  # fmt: skip


def _silences(year: Year) -> list[Condition]:
    """From the fault on; the silence that counts is the delay. When both devices fall silent, that is one alarm."""
    found = []
    both = _planted(year, "sensor-silent", "post-1") & _planted(year, "sensor-silent", "post-2")
    for device in ("post-1", "post-2"):
        silent, may = np.zeros(year.days * _D, dtype=bool), np.zeros(year.days * _D, dtype=bool)
        for fault in year.faults:
            if fault.kind == "sensor-silent" and fault.part.partition("/")[0] == device:
                silent |= _span(year, fault.start_ms, fault.end_ms or 0)
        for held, start_ms, end_ms in year.late:
            if held == device:
                silent |= _span(year, start_ms, end_ms)
        may = _within(silent.astype(float), 40) > 0
        found.append(Condition(f"nothing-heard:{device}", silent, may, 36))
    found.append(Condition("nothing-arrives", both, _within(both.astype(float), 30) > 0, 26))
    return found


def _implausible(year: Year) -> list[Condition]:
    """Stuck: a day of equal values, then half an hour without a usable one. Spikes: a day's share of them."""
    level = np.zeros(year.days * _D, dtype=bool)
    may = np.zeros(year.days * _D, dtype=bool)
    for part in ("post-1/level", "post-1/battery"):
        level |= _planted(year, "sensor-stuck", part, after_ms=DAY_MS)
        may |= _planted(year, "sensor-stuck", part, beyond_ms=DAY_MS)
    level |= _planted(year, "sensor-spikes", "post-1/level", after_ms=DAY_MS)
    may |= _planted(year, "sensor-spikes", "post-1/level", beyond_ms=DAY_MS)
    wrong, maybe = (_planted(year, "clock-wrong", "post-2", beyond_ms=beyond) for beyond in (0, 2 * DAY_MS))
    return [
        Condition("sensor-implausible:post-1", level, may, 2 * _H),
        Condition("sensor-implausible:post-2", wrong, maybe, 45),
    ]


def _first_flush(year: Year, heard: Minutes) -> Condition:
    """Full in truth; the watch goes by rain and coefficient, hour by hour, of what it remembers."""
    chamber = year.site.roof[1].first_flush
    assert chamber is not None
    full = year.minutes["chamber_l"] > 0.98 * chamber.volume_l
    # Much rain since: what the watch reckons cannot be far from the truth any more.
    sure = _within(year.minutes["rain_mm"], 10 * _D) > 8
    long = _within(full.astype(float), 24 * _H) >= 24 * _H - 1
    half = year.minutes["chamber_l"] > 0.5 * chamber.volume_l
    return Condition("first-flush-due:ringing-hut", full & sure & long & heard, half, 9 * _H)


def _upkeep(year: Year) -> list[Condition]:
    found = []
    for task in year.site.upkeep:
        done = [entry.time_ms for entry in year.log if entry.kind == "upkeep" and entry.part == task.id]
        due = np.zeros(year.days * _D, dtype=bool)
        for start_ms, next_ms in zip(done, [*done[1:], START_MS + year.days * DAY_MS], strict=True):
            due |= _span(year, start_ms + task.every_days * DAY_MS, next_ms)
        found.append(Condition(f"upkeep-due:{task.id}", due, due, 0))
    return found
