"""The shortfall by cause, hour by hour, so that the parts add up to the whole.

The attribution is sequential, along the water's way: rain, roof, gutter, first flush, tank. Each
part is then a count of litres at one place, which a bucket held there could check: what the rain
lacked at the design's coefficient, what the roof as found lost of the rain that fell, and so on.
A Shapley share would average over orders in which no water can flow, and no bucket could check it.
The price: water that is lost early is not lost a second time, so a roof that fails hides what the
gutter below would have lost.

Up to the tank the parts are differences of runs, each with one thing more as found. From the tank on:

    full        more ran over, or still stands in the tank, than by the design, less what nobody drew
    not drawn   the design wanted it, the tank had it, nobody took it
    missing     hours that tell the draw and not all else: there the whole shortfall has no known cause
    unexplained what is left: how far meters, levels and the roofs as found disagree (the closure)

Hours in which nothing tells what was drawn are in no part: they are compared with no promise.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from forecast.account.actual import Actual
from forecast.account.catchment import Catchment, Way, inflow_l
from forecast.account.designed import Designed
from forecast.account.inspection import Inspection
from ingest.site import Site

Floats = npt.NDArray[np.float64]


class Ladder(NamedTuple):
    """What roofs hand to the tanks by the hour, with one thing more as found at each rung. (H,) each [L]"""

    designed: Floats
    rain: Floats
    runoff: Floats
    gutter: Floats
    flush: Floats


def ladder(site: Site, inspection: Inspection, designed: Designed, measured_mm: Floats, dry_mm: Floats) -> Ladder:
    """All roofs together, and the rain that falls into open tanks."""
    open_m2 = float(inspection.plan.open_m2.sum())
    by_design = sum(
        (_by_design(site, inspection, found.catchment, designed.rain_mm, dry_mm) for found in inspection.roofs),
        designed.rain_mm * open_m2,
    )
    open_l = np.nan_to_num(measured_mm) * open_m2
    rungs = [
        sum((getattr(found, rung) for found in inspection.roofs), open_l)
        for rung in ("as_designed", "by_runoff", "by_gutter", "by_flush")
    ]
    return Ladder(np.asarray(by_design), *map(np.asarray, rungs))


def _by_design(site: Site, inspection: Inspection, catchment: Catchment, rain_mm: Floats, dry_mm: Floats) -> Floats:
    return inflow_l(site, inspection.plan, catchment, rain_mm, dry_mm, Way())


def parts(designed: Designed, seen: Actual, rungs: Ladder) -> dict[str, Floats]:
    """Litres of each cause by the hour, in the order of `result.CAUSES`. (H,) each"""
    told = seen.told
    spilled_l = seen.spilled_l - designed.ledger["spilled_l"]
    stored_l = np.nan_to_num(seen.stored_l) - designed.stored_l
    found = {
        "rain": rungs.designed - rungs.rain,
        "coefficient": rungs.rain - rungs.runoff,
        "gutter": rungs.runoff - rungs.gutter,
        "first-flush": rungs.gutter - rungs.flush,
        "full": spilled_l + stored_l - seen.undrawn_l,
        "not-drawn": seen.undrawn_l,
        "leak": seen.lost_l,
    }
    found = {cause: np.where(told, litres, 0.0) for cause, litres in found.items()}
    shortfall_l = np.where(seen.drawn, designed.yield_l - seen.yield_l, 0.0)
    found["missing"] = np.where(told, 0.0, shortfall_l)
    found["unexplained"] = shortfall_l - sum(found.values(), np.zeros(len(told)))
    return found
