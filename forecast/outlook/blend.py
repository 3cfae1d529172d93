"""A weather outlook for its own days, continued by weather of the season.

A service looks ahead for some days; the water needs sixteen, and the roofs the two weeks before.
Each member goes over into a window of the season that was as wet or as dry in the day before.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
import numpy.typing as npt

from forecast.outlook.dress import dress
from forecast.outlook.ensemble import Floats, Outlook
from ingest.errors import OutlookUnavailable
from ingest.instants import HOUR_MS, floor_hour, to_rfc3339

#: An outlook older than this is stale, and one older than the second is not used. (common practice, no source)
STALE_MS: Final = 12 * HOUR_MS
OLDEST_MS: Final = 48 * HOUR_MS
#: A day with at least this much rain is wet. [mm] (WMO counts 1 mm as a wet day)
WET_MM: Final = 1.0
_DAY_H: Final = 24


def blend(given: Outlook, season: Outlook, now_ms: int, members: int, rng: np.random.Generator) -> Outlook:
    """`members` courses over the hours of `season`: the given outlook where it says something, else the season.

    season  many courses over the whole timeline, past and to come; each is whole
    A single course is dressed first. Raises OutlookUnavailable when the outlook is too old, or
    says nothing of the hours to come.
    """
    aged = with_age(given, now_ms)
    if aged.members == 1:
        aged = dress(aged, members, rng)
    laid = aged.over(season.start_ms, len(season.rain_mm))
    # Members of the service in equal shares, as far as the numbers allow.
    first = rng.random()
    picked = ((np.arange(members) + first) / members * laid.members).astype(int)
    rain = laid.rain_mm[:, picked]
    joint = _joints(rain)
    window = _windows(rain, joint, season.rain_mm, rng)
    filled = np.where(np.isnan(rain), season.rain_mm[:, window], rain)
    notes = _notes(laid, floor_hour(now_ms))
    return replace(
        laid,
        rain_mm=filled,
        source=f"{given.source}; then {season.source}",
        distinct=len(set(zip(picked.tolist(), window.tolist(), strict=True))),
        temperature_c=None if laid.temperature_c is None else laid.temperature_c[:, picked],
        radiation_w_m2=None if laid.radiation_w_m2 is None else laid.radiation_w_m2[:, picked],
        notes=(*aged.notes, *notes, *season.notes),
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
        until = to_rfc3339(given.valid_until_ms - given.valid_until_ms % 1000)
        return replace(given, stale=True).noting(f"The weather outlook was good until {until} only.")
    if now_ms - issued_ms > STALE_MS:
        return replace(given, stale=True).noting(
            f"The weather outlook is from {issued}, more than {STALE_MS // HOUR_MS} hours ago."
        )
    return given


def _joints(rain_mm: Floats) -> npt.NDArray[np.int64]:
    """The hour after each member's last known one; 0 for a member without any. (M,)"""
    known = ~np.isnan(rain_mm)
    return np.where(known.any(axis=0), len(rain_mm) - np.argmax(known[::-1], axis=0), 0)


def _windows(
    rain_mm: Floats, joint: npt.NDArray[np.int64], season_mm: Floats, rng: np.random.Generator
) -> npt.NDArray[np.int64]:
    """For each member a window that was as wet or dry as it in the day before their joint. (M,)"""
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


def _notes(laid: Outlook, now_hour_ms: int) -> tuple[str, ...]:
    """How far the outlook reaches, and what is missing before that."""
    known: npt.NDArray[np.bool_] = np.asarray(~np.isnan(laid.rain_mm).all(axis=1))
    last = int(np.flatnonzero(known)[-1]) + 1
    now = (now_hour_ms - laid.start_ms) // HOUR_MS
    notes = []
    if missing := int((~known[now:last]).sum()):
        notes.append(f"The weather outlook says nothing of {missing} of its hours; the season stands in.")
    if last < len(known):
        end = to_rfc3339(laid.start_ms + last * HOUR_MS)
        notes.append(f"The weather outlook ends at {end}; from there on the weather is what this season brings.")
    return tuple(notes)
