"""One issued forecast held against what came, lead by lead. Pure."""

from __future__ import annotations

from typing import Final, NamedTuple

import msgspec
import numpy as np

from forecast.cases import HORIZON_D, LEADS_D
from forecast.result import LEVELS, Forecast, Passage, TankForecast
from forecast.score import crps_of_days, crps_of_points
from ingest.instants import HOUR_MS

#: The references that a forecast is judged by, in the order in which they are told, the simplest first.
UNCHANGED: Final = "unchanged"
NO_RAIN: Final = "no rain"
MEAN_RAIN: Final = "mean rain"
WAYS: Final = (UNCHANGED, NO_RAIN, MEAN_RAIN)
RUNS_OUT: Final = "runs out"
OVERFLOWS: Final = "overflows"
#: Leads at which a forecast is judged; at the last, how long until each thing happened. [d]
LEADS: Final = (*LEADS_D, HORIZON_D)


class Stood(NamedTuple):
    """Volume that stood in a tank at an instant, and how surely (sd). [L]"""

    volume_l: float
    sd_l: float


class Passed(NamedTuple):
    """Hours after the start at which a thing first happened; infinite: it did not, within what was asked.

    None: it was so at the start already, and there was nothing to predict.
    """

    runs_out_h: float | None
    overflows_h: float | None


class TankScore(msgspec.Struct, frozen=True):
    """The volume of one tank at one lead: what came, our CRPS and the references' errors. [L]

    held_50, held_90  whether the band held it, its ends and the meter's own error counted in
    """

    tank: str
    came_l: float
    crps_l: float
    held_50: bool
    held_90: bool
    references: dict[str, float]


class EventScore(msgspec.Struct, frozen=True):
    """Whether something happened by the lead: the chance that was given, and what the references said."""

    what: str
    chance: float
    happened: bool
    references: dict[str, bool]


class UntilScore(msgspec.Struct, frozen=True):
    """How long until it happened: our CRPS and the references' errors, as far as the horizon. [d]

    came_d  None: not within the horizon
    """

    what: str
    came_d: float | None
    crps_d: float
    references: dict[str, float]


class Verdict(msgspec.Struct, frozen=True):
    """What is said of one forecast at one lead; empty lists where the truth is not known or nothing was to predict."""

    tanks: list[TankScore] = []
    events: list[EventScore] = []
    until: list[UntilScore] = []


class Came(NamedTuple):
    """The truth of one forecast at one lead: by tank, and of the site. None: not known."""

    stood: dict[str, Stood | None]
    passed: Passed | None

    @property
    def whole(self) -> bool:
        return self.passed is not None and None not in self.stood.values()


def judge(forecast: Forecast, lead_d: int, came: Came) -> Verdict:
    """Hold a forecast against what came, as far as it is known."""
    tanks = [
        _tank(forecast, tank, LEADS_D.index(lead_d), stood)
        for tank in forecast.tanks
        if lead_d in LEADS_D and (stood := came.stood.get(tank.tank)) is not None
    ]
    things = () if came.passed is None else _things(forecast, came.passed)
    if lead_d == HORIZON_D:
        return Verdict(until=[_until(*thing) for thing in things])
    return Verdict(tanks, [_event(lead_d, *thing) for thing in things])


def _tank(forecast: Forecast, tank: TankForecast, place: int, stood: Stood) -> TankScore:
    hour = LEADS_D[place] * 24 - 1
    points = np.array([getattr(tank.volume_l, f"p{round(100 * level):02d}")[hour] for level in LEVELS])
    came_l = min(stood.volume_l, tank.capacity_l)
    said = {reference.way: reference.volume_l.get(tank.tank, []) for reference in forecast.references}
    errors = {way: abs(volume_l[place] - came_l) for way, volume_l in said.items() if volume_l}
    return TankScore(
        tank.tank,
        round(came_l, 1),
        round(float(crps_of_points(points, came_l)), 2),
        bool(points[1] - stood.sd_l <= came_l <= points[3] + stood.sd_l),
        bool(points[0] - stood.sd_l <= came_l <= points[4] + stood.sd_l),
        {way: round(error, 1) for way, error in (errors | {UNCHANGED: abs(tank.start_volume_l - came_l)}).items()},
    )


#: What, its passage, days until it came, and until it comes as each reference says; infinite: not at all.
Thing = tuple[str, Passage, float, dict[str, float]]


def _things(forecast: Forecast, passed: Passed) -> list[Thing]:
    """What could happen to the site, and was not so already at the issue."""
    offset_h = (forecast.issued_ms - forecast.start_ms) / HOUR_MS
    runs_out = {reference.way: _days(reference.runs_out_d) for reference in forecast.references}
    overflows = {reference.way: _days(reference.overflows_d) for reference in forecast.references}
    return [
        (what, passage, max(0.0, came_h - offset_h) / 24, {UNCHANGED: np.inf, **days})
        for what, passage, came_h, days in (
            (RUNS_OUT, forecast.runs_out, passed.runs_out_h, runs_out),
            (OVERFLOWS, forecast.overflows, passed.overflows_h, overflows),
        )
        if came_h is not None
    ]


def _days(said: float | None) -> float:
    return np.inf if said is None else said


def _event(lead_d: int, what: str, passage: Passage, came_d: float, said: dict[str, float]) -> EventScore:
    by = {way: days <= lead_d for way, days in said.items()}
    return EventScore(what, round(passage.by_day[lead_d - 1], 4), bool(came_d <= lead_d), by)


def _until(what: str, passage: Passage, came_d: float, said: dict[str, float]) -> UntilScore:
    points = (passage.p05, passage.p25, passage.p50, passage.p75, passage.p95)
    at_once = max((level for level, point in zip(LEVELS, points, strict=True) if point == 0.0), default=0.0)
    score = crps_of_days(np.array(passage.by_day), came_d, at_once)
    errors = {way: round(abs(min(days, HORIZON_D) - min(came_d, HORIZON_D)), 3) for way, days in said.items()}
    return UntilScore(what, round(came_d, 3) if came_d <= HORIZON_D else None, round(float(score), 4), errors)
