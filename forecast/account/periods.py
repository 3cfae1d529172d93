"""From hours to months, seasons and the whole, with the uncertainty of each figure."""

from __future__ import annotations

from typing import Final, NamedTuple

import msgspec
import numpy as np
import numpy.typing as npt

from forecast.account.actual import Actual
from forecast.account.designed import Designed
from forecast.account.inspection import Inspection
from forecast.account.measured import Measured
from forecast.account.named import named
from forecast.account.parts import Ladder
from forecast.account.result import Flows, Part, Period
from ingest.instants import HOUR_MS
from ingest.site import Site

Floats = npt.NDArray[np.float64]
Truths = npt.NDArray[np.bool_]

#: A water meter's error, and a rain gauge's, as a share of what it counts. (common practice, no source)
METER_SHARE: Final = 0.02
GAUGE_SHARE: Final = 0.05
#: What is told of roofs below the brim holds at it to this share. (from the simulator's sites)
CARRIED_SHARE: Final = 0.015
#: What is known of the use in an hour of rain without a meter, and of what a fault of a roof lost. (no source)
GUESSED_SHARE: Final = 0.2


_UNTOLD: Final = Flows(*[float("nan")] * len(Flows.__struct_fields__))


class Books(NamedTuple):
    """Everything by the hour that periods are summed from. area_m2: of all roofs"""

    site: Site
    measured: Measured
    inspection: Inspection
    designed: Designed
    seen: Actual
    rungs: Ladder
    parts: dict[str, Floats]
    area_m2: float


class Spread(NamedTuple):
    """Standard deviations of the actual figures of a span, and of what stood in the tanks at its ends. [L]"""

    yield_l: float
    inflow_l: float
    spilled_l: float
    ends_l: float
    lost_l: float
    runoff_share: float


def period(books: Books, name: str, hours: Truths) -> Period:
    """The sums of some hours that follow each other."""
    at = np.flatnonzero(hours)
    told, drawn, rained = hours & books.seen.told, hours & books.seen.drawn, hours & ~np.isnan(books.measured.rain_mm)
    spread = _spread(books, told, drawn)
    designed_l, came_l = float(books.designed.yield_l[drawn].sum()), float(books.seen.yield_l[drawn].sum())
    made = Period(
        name=name,
        start_ms=books.measured.start_ms + int(at[0]) * HOUR_MS,
        end_ms=books.measured.start_ms + (int(at[-1]) + 1) * HOUR_MS,
        hours=len(at),
        drawn_h=int(drawn.sum()),
        rain_h=int(rained.sum()),
        told_h=int(told.sum()),
        rain_mm=_known(books.measured.rain_mm[rained].sum(), rained),
        design_rain_mm=_known(books.designed.rain_mm[rained].sum(), rained),
        designed_yield_l=_known(designed_l, drawn),
        untold_yield_l=float(books.designed.yield_l[hours & ~drawn].sum()),
        actual_yield_l=_known(came_l, drawn),
        yield_sd_l=_known(spread.yield_l, drawn),
        inflow_sd_l=_known(spread.inflow_l, told),
        spilled_sd_l=_known(spread.spilled_l, told),
        shortfall_l=_known(designed_l - came_l, drawn),
        designed=_designed(books, told),
        actual=_actual(books, told),
        parts=_parts(books, drawn, told, spread),
        named=[],
    )
    causes = named(books.site, books.inspection, made, int(at[0]), int(at[-1]) + 1, books.measured.start_ms)
    return msgspec.structs.replace(made, named=causes)


def _known(figure: float, hours: Truths) -> float:
    """NaN where no hour tells the figure."""
    return float(figure) if hours.any() else float("nan")


def _designed(books: Books, told: Truths) -> Flows:
    if not told.any():
        return _UNTOLD
    designed = books.designed
    sums = {name: float(column[told].sum()) for name, column in designed.ledger.items()}
    rain_l = float(designed.rain_mm[told].sum() * books.area_m2)
    return Flows(
        rain_l=rain_l,
        roof_loss_l=rain_l - sums["gutter_loss_l"] - sums["first_flush_l"] - sums["inflow_l"],
        gutter_loss_l=sums["gutter_loss_l"],
        first_flush_l=sums["first_flush_l"],
        inflow_l=sums["inflow_l"],
        yield_l=float(designed.yield_l[told].sum()),
        spilled_l=sums["spilled_l"],
        lost_l=sums["leak_l"],
        evaporated_l=sums["evaporated_l"],
        stored_l=float(designed.stored_l[told].sum()),
        closure_l=0.0,
    )


def _actual(books: Books, told: Truths) -> Flows:
    if not told.any():
        return _UNTOLD
    seen, roofs = books.seen, books.inspection.roofs
    rain_l = float(np.nansum(books.measured.rain_mm[told]) * books.area_m2)
    over_l = sum(float(found.over_l[told].sum()) for found in roofs)
    flushed_l = sum(float(found.flushed_l[told].sum()) for found in roofs)
    inflow_l = float(seen.inflow_l[told].sum())
    return Flows(
        rain_l=rain_l,
        roof_loss_l=rain_l - over_l - flushed_l - inflow_l,
        gutter_loss_l=over_l,
        first_flush_l=flushed_l,
        inflow_l=inflow_l,
        yield_l=float(seen.yield_l[told].sum()),
        spilled_l=float(seen.spilled_l[told].sum()),
        lost_l=float(seen.lost_l[told].sum()),
        evaporated_l=float(seen.evaporated_l[told].sum()),
        stored_l=float(seen.stored_l[told].sum()),
        closure_l=float("nan") if seen.closure_l is None else float(seen.closure_l[told].sum()),
    )


def _spread(books: Books, told: Truths, drawn: Truths) -> Spread:
    """A level's noise enters twice for each stretch of known hours, a meter's error by what it counted."""
    stretches = int(told[0]) + int((np.diff(told.astype(int)) == 1).sum())
    ends = lost = use = caught = 0.0
    for tank in books.inspection.tanks:
        noise = 2 * stretches * tank.noise_l**2
        leak = 0.0 if tank.loss is None else (tank.loss.leak_sd_l_h * told.sum()) ** 2
        use += (METER_SHARE * np.nansum(tank.metered_l[drawn])) ** 2
        use += (GUESSED_SHARE * tank.guessed_l[drawn].sum()) ** 2
        # Without a meter the level alone tells the use, and cannot tell it from a leak.
        use += noise + leak if tank.unmetered else 0.0
        ends, lost = ends + noise, lost + leak
    share = max(
        METER_SHARE if found.metered_l is not None else float(np.hypot(found.found.yielded_sd, CARRIED_SHARE))
        for found in books.inspection.roofs
    )
    at_brim = (share * books.seen.at_brim_l[told].sum()) ** 2 + books.seen.at_brim_l2[told].sum()
    runoff_share = max(
        METER_SHARE
        if found.metered_l is not None
        else found.found.runoff.coefficient_sd / found.found.runoff.coefficient
        for found in books.inspection.roofs
    )
    for found in books.inspection.roofs:
        caught += (METER_SHARE * np.nansum(found.metered_l[told])) ** 2 if found.metered_l is not None else 0.0
    return Spread(
        yield_l=float(np.sqrt(use)),
        inflow_l=float(np.sqrt(caught + use + lost + ends + at_brim)),
        spilled_l=float(np.sqrt(at_brim)),
        ends_l=float(np.sqrt(ends)),
        lost_l=float(np.sqrt(lost)),
        runoff_share=runoff_share,
    )


def _parts(books: Books, drawn: Truths, told: Truths, spread: Spread) -> list[Part]:
    litres = {cause: _known(column[drawn].sum(), drawn) for cause, column in books.parts.items()}
    sd = {
        "rain": GAUGE_SHARE * float(books.rungs.rain[told].sum()),
        "coefficient": spread.runoff_share * float(books.rungs.runoff[told].sum()),
        "gutter": GUESSED_SHARE * abs(litres["gutter"]),
        "first-flush": GUESSED_SHARE * abs(litres["first-flush"]),
        "full": float(np.hypot(spread.spilled_l, spread.ends_l)),
        "not-drawn": spread.yield_l,
        "leak": spread.lost_l,
        "missing": spread.yield_l if (drawn & ~told).any() else 0.0,
        "unexplained": float(np.hypot(spread.inflow_l, spread.runoff_share * books.rungs.flush[told].sum())),
    }
    return [Part(cause, litres[cause], _known(sd[cause], drawn)) for cause in litres]
