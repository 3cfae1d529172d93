"""A weather outlook for its own days, continued by weather of the season.

A service looks ahead for some days; the water needs sixteen, and the roofs the two weeks before.
Each member goes over into a window of the season that was as wet or as dry in the day before.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
import numpy.typing as npt

from forecast.outlook.dress import ENSEMBLE, dress, leaving
from forecast.outlook.ensemble import Floats, Outlook
from ingest.errors import OutlookUnavailable
from ingest.instants import HOUR_MS, floor_hour, to_rfc3339
from ingest.saying import Saying, duration, instant, number, said, say

#: An outlook older than this is stale, and one older than the second is not used. (common practice, no source)
STALE_MS: Final = 12 * HOUR_MS
OLDEST_MS: Final = 48 * HOUR_MS
#: A day with at least this much rain is wet. [mm] (WMO counts 1 mm as a wet day)
WET_MM: Final = 1.0
_DAY_H: Final = 24


def blend(
    given: Outlook, season: Outlook, now_ms: int, members: int, rng: np.random.Generator, *, corrected: bool = False
) -> Outlook:
    """`members` courses over the hours of `season`: the given outlook where it says something, else the season.

    season     many courses over the whole timeline, past and to come; each is whole
    corrected  the outlook's spread is right already; otherwise members leave it as its lead grows, see `dress`
    Raises OutlookUnavailable when the outlook is too old, or says nothing of the hours to come.
    """
    aged = with_age(given, now_ms)
    # Members of the service in equal shares, as far as the numbers allow.
    picked = ((np.arange(members) + rng.random()) / members * given.members).astype(int)
    if given.members == 1:
        wide = dress(aged, members, rng)
    elif corrected:
        wide = _picked(aged, picked)
    else:
        wide = leaving(_picked(aged, picked), ENSEMBLE, rng).noting(
            say(
                "The weather ensemble is not corrected by its past here: as the days go on, its members leave it "
                "for weather of the season, by a rule of thumb."
            )
        )
    laid = wide.over(season.start_ms, len(season.rain_mm))
    window = _windows(laid.rain_mm, season.rain_mm, rng)
    return replace(
        laid,
        rain_mm=np.where(np.isnan(laid.rain_mm), season.rain_mm[:, window], laid.rain_mm),
        source=say("{outlook}; then {season}", outlook=said([given.source]), season=said([season.source])),
        distinct=len(set(zip(picked.tolist(), window.tolist(), strict=True))),
        notes=(*wide.notes, *_notes(given, laid, now_ms), *season.notes),
    )


def with_age(given: Outlook, now_ms: int) -> Outlook:
    """The outlook, marked and noted as stale when older than it may be. Raises OutlookUnavailable beyond use."""
    issued_ms = given.start_ms if given.issued_ms is None else given.issued_ms
    issued = to_rfc3339(issued_ms - issued_ms % 1000)
    if issued_ms > now_ms + HOUR_MS:
        raise OutlookUnavailable(f"{given.source}: issued at {issued}, which is still to come: look at the clocks")
    ahead = given.over(floor_hour(now_ms), max(1, (given.end_ms - floor_hour(now_ms)) // HOUR_MS))
    if np.isnan(ahead.rain_mm).all():
        raise OutlookUnavailable(f"{given.source}: what it issued at {issued} says nothing of the hours to come")
    if now_ms - issued_ms > OLDEST_MS:
        raise OutlookUnavailable(f"{given.source}: issued at {issued}, more than {OLDEST_MS // HOUR_MS} hours ago")
    if given.valid_until_ms is not None and now_ms > given.valid_until_ms:
        return replace(given, stale=True).noting(
            say("The weather outlook was good until {until} only.", until=instant(given.valid_until_ms))
        )
    if now_ms - issued_ms > STALE_MS:
        return replace(given, stale=True).noting(
            say(
                "The weather outlook is from {issued}, more than {age} ago.",
                issued=instant(issued_ms),
                age=duration(STALE_MS),
            )
        )
    return given


def _picked(given: Outlook, members: npt.NDArray[np.int64]) -> Outlook:
    return replace(
        given,
        rain_mm=given.rain_mm[:, members],
        temperature_c=None if given.temperature_c is None else given.temperature_c[:, members],
        radiation_w_m2=None if given.radiation_w_m2 is None else given.radiation_w_m2[:, members],
    )


def _windows(rain_mm: Floats, season_mm: Floats, rng: np.random.Generator) -> npt.NDArray[np.int64]:
    """For each member a window that was as wet or dry as it in the day before their joint. (M,)

    The joint is the hour after the member's last known one.
    """
    known = ~np.isnan(rain_mm)
    joint = np.where(known.any(axis=0), len(rain_mm) - np.argmax(known[::-1], axis=0), 0)
    members = rain_mm.shape[1]
    chance = (rng.permutation(members) + rng.random(members)) / members
    running = np.vstack([np.zeros(season_mm.shape[1]), np.cumsum(season_mm, axis=0)])
    chosen = np.empty(members, dtype=np.int64)
    for member, at in enumerate(joint.tolist()):
        begin = max(0, at - _DAY_H)
        before = rain_mm[begin:at, member]
        wet = np.nansum(before) >= WET_MM
        alike = np.flatnonzero((running[at] - running[begin] >= WET_MM) == wet)
        # A day that is hardly known is neither wet nor dry.
        if not len(alike) or (~np.isnan(before)).sum() < _DAY_H / 2:
            alike = np.arange(season_mm.shape[1])
        chosen[member] = alike[int(chance[member] * len(alike))]
    return chosen


def _notes(given: Outlook, laid: Outlook, now_ms: int) -> tuple[Saying, ...]:
    """How far the outlook reaches, and what is missing before that."""
    known: npt.NDArray[np.bool_] = np.asarray(~np.isnan(given.rain_mm).all(axis=1))
    last = int(np.flatnonzero(known)[-1]) + 1
    now = max(0, (floor_hour(now_ms) - given.start_ms) // HOUR_MS)
    notes = []
    if missing := int((~known[now:last]).sum()):
        notes.append(
            say(
                "The weather outlook says nothing of {missing} of its hours; the season stands in.",
                missing=number(missing),
            )
        )
    end_ms = given.start_ms + last * HOUR_MS
    if end_ms < laid.end_ms:
        notes.append(
            say(
                "The weather outlook ends at {end}; from there on the weather is what this season brings.",
                end=instant(end_ms),
            )
        )
    return tuple(notes)
