"""What a daily record costs a roof, against the hourly record that it was summed from, by where its rain is laid.

`python -m tests.reference.daily_spread` tries spells of two to eight hours at all hours of the day. What is held
against the hourly run is what comes off a roof in a year after wetting, and after a first flush. The sun is where it
is, then that of 14° and of 58° latitude, and two hours early and late: a clock need not go by the sun, and the spell
must serve other places than those whose hourly rain we have.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from datetime import date, timedelta
from functools import cache
from itertools import product
from typing import Final, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from forecast.model.plan import plan_of
from forecast.model.sun import drying_mm, extraterrestrial_mj_m2
from forecast.model.wetness import roof_inflow_l
from forecast.outlook.days import SPELL_BEGINS_H, SPELL_H, first_hour_ms, spread_days
from forecast.outlook.record import RainRecord
from ingest.instants import HOUR_MS, to_datetime
from tests.forecast.sizing.made import site_of
from tests.reference.rain_records import new_york, schwingbach

Floats = npt.NDArray[np.float64]

#: What daily rain was laid on before: 6 h from 9.
BEFORE: Final = (9, 6)
CHOSEN: Final = (SPELL_BEGINS_H, SPELL_H)
_AREA_M2: Final = 100.0
_SPELLS: Final = tuple((begins, hours) for hours in (2, 3, 4, 6, 8) for begins in range(25 - hours))


class Place(NamedTuple):
    """Whole local days of an hourly record, unknown hours dry, and where its station stands. [°]"""

    name: str
    zone: ZoneInfo
    latitude: float
    longitude: float
    first: date
    start_ms: int
    hourly_mm: Floats
    daily_mm: Floats


class Roof(NamedTuple):
    """loss_mm: wetting; flush_l: first flush of 100 m², that drips 2 L an hour, or none"""

    loss_mm: float
    flush_l: float = 0.0


class Sun(NamedTuple):
    """latitude: None, the place's own [°]; late_h: by how much the clock goes before the sun [h]"""

    name: str
    latitude: float | None = None
    late_h: float = 0.0


class Gap(NamedTuple):
    """One case: shares of the rain that are lost to wetting, and that come to the tank."""

    place: str
    sun: str
    roof: Roof
    hourly_lost: float
    hourly_caught: float
    lost: float
    caught: float


ROOFS: Final = (Roof(0.2), Roof(0.4), Roof(1.0), Roof(2.0), Roof(0.4, 50.0))
SUNS: Final = (
    Sun("as it is"), Sun("of 14°", 14.0), Sun("of 58°", 58.0), Sun("2 h late", None, 2.0), Sun("2 h early", None, -2.0),
)  # fmt: skip


@cache
def places() -> tuple[Place, ...]:
    """Four hourly records of two climates."""
    new_yorks = (("EWR", 40.69, -74.17), ("JFK", 40.64, -73.78), ("LGA", 40.78, -73.87))
    return (
        _place(schwingbach(), "Europe/Berlin", 50.5, 8.6),
        *(_place(new_york(station), "America/New_York", north, east) for station, north, east in new_yorks),
    )


def _place(record: RainRecord, zone_name: str, latitude: float, longitude: float) -> Place:
    zone = ZoneInfo(zone_name)
    day = to_datetime(record.start_ms).astimezone(zone).date() + timedelta(days=1)
    last = to_datetime(record.end_ms).astimezone(zone).date()
    edges = [first_hour_ms(day + timedelta(days=place), zone) for place in range((last - day).days + 1)]
    hourly = np.nan_to_num(record.window(edges[0], (edges[-1] - edges[0]) // HOUR_MS))
    daily = np.add.reduceat(hourly, (np.array(edges[:-1]) - edges[0]) // HOUR_MS)
    return Place(record.name, zone, latitude, longitude, day, edges[0], hourly, daily)


def gaps(begins_h: int, spell_h: int) -> Iterator[Gap]:
    """Every place, sun and roof."""
    for place, sun in product(places(), SUNS):
        start_ms, laid = spread_days(place.first, place.daily_mm, place.zone, begins_h=begins_h, spell_h=spell_h)
        assert (start_ms, len(laid)) == (place.start_ms, len(place.hourly_mm))
        for roof in ROOFS:
            yield Gap(place.name, sun.name, roof, *_hourly(place.name, sun, roof), *_shares(place, sun, roof, laid))


@cache
def _hourly(name: str, sun: Sun, roof: Roof) -> tuple[float, float]:
    place = next(place for place in places() if place.name == name)
    return _shares(place, sun, roof, place.hourly_mm)


@cache
def _drying_mm(latitude: float, longitude: float, start_ms: int, hours: int) -> Floats:
    return drying_mm(extraterrestrial_mj_m2(latitude, longitude, start_ms, hours))


def _shares(place: Place, sun: Sun, roof: Roof, rain_mm: Floats) -> tuple[float, float]:
    """Shares of the rain that wetting keeps, and that come past the first flush."""
    north = place.latitude if sun.latitude is None else sun.latitude
    drying = _drying_mm(north, place.longitude - 15.0 * sun.late_h, place.start_ms, len(rain_mm))
    past = [_inflow_l(roof._replace(flush_l=flush_l), rain_mm, drying) for flush_l in (0.0, roof.flush_l)]
    fallen_l = float(rain_mm.sum()) * _AREA_M2
    return 1.0 - past[0] / fallen_l, past[1] / fallen_l


def _inflow_l(roof: Roof, rain_mm: Floats, drying: Floats) -> float:
    described = {"id": "r", "plan_area_m2": _AREA_M2, "runoff_coefficient": 1.0, "tank": "box"}
    described |= {"wetting_loss_mm": roof.loss_mm}
    if roof.flush_l:
        described |= {"first_flush": {"volume_l": roof.flush_l, "drip_l_h": 2.0}}
    plan = plan_of(site_of(roof=[described]))
    return float(roof_inflow_l(plan, 0, rain_mm, drying, 1.0, roof.loss_mm).sum())


def mean_gap(found: list[Gap]) -> float:
    """How far a daily run is from the hourly one: the mean of both shares' distances, over the cases."""
    return float(np.mean([abs(gap.lost - gap.hourly_lost) + abs(gap.caught - gap.hourly_caught) for gap in found])) / 2


def main() -> None:
    """Print the best spells, and the chosen one and the one before it by place."""
    parser = argparse.ArgumentParser(description="Where daily rain is laid, against hourly runs.")
    parser.add_argument("--json", action="store_true", help="print JSON")
    options = parser.parse_args()
    found = {spell: list(gaps(*spell)) for spell in _SPELLS}
    ranked = sorted(found, key=lambda spell: mean_gap(found[spell]))
    rows = [
        {
            "begins_h": spell[0], "hours": spell[1], "mean_gap": round(mean_gap(found[spell]), 4),
            "by_sun": {
                sun.name: round(mean_gap([gap for gap in found[spell] if gap.sun == sun.name]), 4) for sun in SUNS
            },
        }
        for spell in ranked
    ]  # fmt: skip
    detail = [
        {"spell": spell, **gap._asdict(), "roof": gap.roof._asdict()}
        for spell in (CHOSEN, BEFORE)
        for gap in found[spell]
        if gap.sun == SUNS[0].name
    ]
    if options.json:
        print(json.dumps({"spells": rows, "cases": detail}))
        return
    for place, row in enumerate(rows, start=1):
        if place <= 10 or (row["begins_h"], row["hours"]) in (CHOSEN, BEFORE):
            print(
                f"{place:4}  {row['hours']} h from {row['begins_h']:2}  mean gap {row['mean_gap']:.4f}  {row['by_sun']}"
            )
    for spell in (CHOSEN, BEFORE):
        print(f"{spell[1]} h from {spell[0]}, of the rain: lost to wetting hourly / daily, to the tank hourly / daily")
        for gap in found[spell]:
            if gap.sun == SUNS[0].name:
                print(
                    f"  {gap.place:12} loss {gap.roof.loss_mm:.1f} mm, flush {gap.roof.flush_l:2.0f} L:  "
                    f"{gap.hourly_lost:.3f} {gap.lost:.3f}  {gap.hourly_caught:.3f} {gap.caught:.3f}"
                )


if __name__ == "__main__":
    main()
