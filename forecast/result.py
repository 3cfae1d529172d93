"""The forecast as a document: what the worker writes and the API and the alarms read.

Plain data, no behaviour. Instants in UTC ms, volumes in litre, levels in metre, voltages in volt.
Bands and quantiles are the 5, 25, 50, 75 and 95 % points of the ensemble.
"""

from __future__ import annotations

import msgspec

from ingest.saying import Sentence

LEVELS = (0.05, 0.25, 0.50, 0.75, 0.95)


class Bands(msgspec.Struct, frozen=True):
    """One list for each of the five points; entry h is the end of hour h + 1 after `start_ms`."""

    p05: list[float]
    p25: list[float]
    p50: list[float]
    p75: list[float]
    p95: list[float]


class Passage(msgspec.Struct, frozen=True):
    """When something happens for the first time.

    by_day    by_day[d] is the probability that it has happened d + 1 days after the issue
    within    probability that it happens within the horizon
    p05 … p95  days from the issue; None: not within the horizon at that share of the members.
              No median is given when more than half are censored.
    """

    by_day: list[float]
    within: float
    p05: float | None = None
    p25: float | None = None
    p50: float | None = None
    p75: float | None = None
    p95: float | None = None


class TankForecast(msgspec.Struct, frozen=True):
    """One tank.

    start_level_m, start_volume_l  at the issue; start_sd_l its standard deviation
    dead_l, capacity_l             out of reach below the outlet; at the brim
    runs_out, overflows            first passage to dead storage; first litre over the brim
    spill_l                        litres over the brim within the horizon
    spill_peak_l_min               largest hourly mean spill; the momentary peak is higher
    """

    tank: str
    start_level_m: float
    start_volume_l: float
    start_sd_l: float
    dead_l: float
    capacity_l: float
    level_m: Bands
    volume_l: Bands
    runs_out: Passage
    overflows: Passage
    spill_l: Bands
    spill_peak_l_min: float


class BatteryForecast(msgspec.Struct, frozen=True):
    """The battery: state of charge now [share of capacity], its bands, days until cut-off.

    pumping_h  hours of pumping allowed from the issue to the end of each of the next seven days,
               while the sun shines first; None: there is no pump, or an older document
    """

    start_soc: float
    soc: Bands
    cutoff: Passage
    pumping_h: Bands | None = None


class Allowance(msgspec.Struct, frozen=True):
    """The most that may be drawn a day for `days`, so that rain water runs out with a chance of `risk` at most.

    chance  of running out at that draw
    """

    allowance_l_day: float
    days: int
    chance: float
    risk: float


class FreeWater(msgspec.Struct, frozen=True):
    """Water that will spill within `days` anyway and may be used now at no loss; 0: too unsure.

    chance  that at least so much of it spills; of a litre, where it is 0
    """

    free_l: float
    days: int
    chance: float


class Changeover(msgspec.Struct, frozen=True):
    """When the backup should be open, and may be closed; days from the issue.

    open_by_d      None: the chance of running out stays too small within the horizon
    open_chance    that rain water has run out by then; within the horizon, where it is None
    close_after_d  0: now; None: no day within the horizon is safe enough
    close_chance   that rain water, not drawn until then, runs out in the week after
    """

    open_by_d: float | None
    open_chance: float
    close_after_d: int | None
    close_chance: float


class Takeover(msgspec.Struct, frozen=True):
    """When a backup that works by itself will open for the first time, and what it will give within the horizon.

    backup_l  one entry; of a backup that feeds the draws directly, what rain water leaves them short of
    """

    opens: Passage
    backup_l: Bands


class Decisions(msgspec.Struct, frozen=True):
    """What the forecast means for those who draw. None: nobody draws, or there is no such backup.

    changeover  of a backup opened by hand; takeover  of one that works by itself
    """

    allowance: Allowance | None
    free_water: FreeWater
    changeover: Changeover | None
    takeover: Takeover | None = None


class Reference(msgspec.Struct, frozen=True):
    """What a way of forecasting that costs nothing says at the same issue, one number each.

    way        `no rain` or `mean rain`
    volume_l   by tank, at the end of day 1, 3, 7 and 14
    runs_out_d, overflows_d  days from the issue; None: not within the horizon
    """

    way: str
    volume_l: dict[str, list[float]]
    runs_out_d: float | None
    overflows_d: float | None


class Input(msgspec.Struct, frozen=True):
    """Something the forecast was made from.

    name     `level main`, `rain outlook`, `battery voltage`, …
    source   where it came from, in words
    time_ms  its time; None: it has none (a site-file value, a climatology)
    stale    too old to be trusted; the forecast is then wider and says so
    missing  not there at all
    """

    name: Sentence
    source: Sentence
    time_ms: int | None = None
    stale: bool = False
    missing: bool = False


class Forecast(msgspec.Struct, frozen=True):
    """One issued forecast for one site.

    issued_ms     when it was made
    start_ms      first hour of the bands, the full UTC hour at or before the issue
    runs_out      the first draw that its tank cannot feed any more (rain water only)
    overflows     the first litre that leaves the site over a brim
    rain_mm       rain of each coming day
    demand_l_day  mean litres a day that will be wanted over the first seven days
    reasons       the main reasons, as sentences
    unknown       what the forecast does not know, as sentences
    decisions     None: in documents from before there were any
    references    by which this forecast will be judged; empty likewise
    """

    site: str
    issued_ms: int
    start_ms: int
    horizon_h: int
    members: int
    inputs: list[Input]
    tanks: list[TankForecast]
    runs_out: Passage
    overflows: Passage
    rain_mm: Bands
    demand_l_day: float
    battery: BatteryForecast | None
    reasons: list[Sentence]
    unknown: list[Sentence]
    decisions: Decisions | None = None
    references: list[Reference] = []

    @property
    def stale(self) -> bool:
        """Whether any input is stale: such a forecast must never look fresh."""
        return any(entry.stale for entry in self.inputs)


def encode(forecast: Forecast) -> bytes:
    """The forecast as JSON."""
    return msgspec.json.encode(forecast)


def decode(document: bytes) -> Forecast:
    """The forecast from JSON. Raises msgspec.ValidationError on a document of another shape."""
    return msgspec.json.decode(document, type=Forecast)
