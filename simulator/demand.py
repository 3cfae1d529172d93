"""What people and the irrigation want, minute by minute, by the site's local clock."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from ingest.instants import MINUTE_MS, from_datetime, to_datetime
from ingest.site import Draw, Pump, Site
from simulator.sun import Floats

#: One visit to a tap: its mean [L], how many a day at most on average, and the tap's flow [L/min].
_VISIT_L: Final = 5.0
_VISITS_A_DAY: Final = 40
_TAP_L_MIN: Final = 6.0


class Window(NamedTuple):
    """The hours of use of one local day. [UTC ms]"""

    day: date
    start_ms: int
    end_ms: int


def windows(site: Site, draw: Draw, start_ms: int, end_ms: int) -> Iterator[Window]:
    """The hours of use of every local day of use that may touch `[start_ms, end_ms)`."""
    first, last = (to_datetime(edge).astimezone(site.zone).date() for edge in (start_ms, end_ms))
    for ahead in range(-1, (last - first).days + 1):
        day = first + timedelta(days=ahead)
        if draw.months is None or day.month in draw.months:
            begin, until = draw.hours or (0, 24)
            yield Window(day, _instant(site, day, begin), _instant(site, day, until))


def taps(site: Site, draw: Draw, start_ms: int, minutes: int, seed: int) -> Floats:
    """What a gravity tap is asked for: visits at random within the hours of use. [L a minute]

    The number of visits is Poisson, their size gamma; together they want litres_per_day on
    average. Each local day has its own generator, so a day is the same in every span.
    """
    out = np.zeros(minutes)
    visit_l = max(_VISIT_L, draw.litres_per_day / _VISITS_A_DAY)
    flow_l = max(_TAP_L_MIN, visit_l)
    for window in windows(site, draw, start_ms, start_ms + minutes * MINUTE_MS):
        # The name of the draw, as numbers: two draws must not be used at the same minutes.
        rng = np.random.default_rng([seed, window.day.toordinal(), *draw.id.encode()])
        visits = rng.poisson(draw.litres_per_day / visit_l)
        starts = np.sort(rng.integers(window.start_ms // MINUTE_MS, window.end_ms // MINUTE_MS, visits))
        for start, litres in zip(starts.tolist(), rng.gamma(2.0, visit_l / 2, visits).tolist(), strict=True):
            _pour(out, start - start_ms // MINUTE_MS, litres, flow_l)
    return out


def pumping(site: Site, draw: Draw, pump: Pump, start_ms: int, minutes: int) -> tuple[Floats, npt.NDArray[np.int64]]:
    """What a pumped draw would take if nothing stopped it [L a minute], and its local day.

    The day is 0 outside the hours of use.
    """
    out, days = np.zeros(minutes), np.zeros(minutes, dtype=np.int64)
    for window in windows(site, draw, start_ms, start_ms + minutes * MINUTE_MS):
        first, last = ((edge - start_ms) // MINUTE_MS for edge in (window.start_ms, window.end_ms))
        days[max(0, first) : max(0, last)] = window.day.toordinal()
        _pour(out, first, min(draw.litres_per_day, pump.flow_l_min * (last - first)), pump.flow_l_min)
    return out, days


def _pour(out: Floats, first: int, litres: float, flow_l: float) -> None:
    """Add an amount at a flow from a minute on; what falls outside the span is left out."""
    minute = first
    while litres > 0:
        if 0 <= minute < len(out):
            out[minute] += min(litres, flow_l)
        litres -= flow_l
        minute += 1


def _instant(site: Site, day: date, hour: int) -> int:
    midnight = datetime.combine(day, time(), tzinfo=site.zone)
    # Wall-clock arithmetic: on the days of the clock change, six o'clock is still six o'clock.
    return from_datetime(midnight + timedelta(hours=hour))
