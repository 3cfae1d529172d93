"""The account: what the design promised, what came, and why. A pure function of what was measured."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from forecast.account.actual import actual
from forecast.account.basis import basis
from forecast.account.designed import design_rain_mm, drying_of, months_of, run_balance
from forecast.account.inspection import Inspection, RoofsFound, inspect
from forecast.account.measured import Measured
from forecast.account.parts import ladder, parts
from forecast.account.periods import Books, period
from forecast.account.result import Account, RoofLearned, TankLearned
from forecast.account.tanks import TankFound
from forecast.model.draw import demand_l
from forecast.model.storage import storages_of
from forecast.outlook.record import RainRecord
from ingest.saying import Saying, names, say
from ingest.site import Site

Floats = npt.NDArray[np.float64]

#: Shown wherever somebody would rely on the figures.
CAUTIONS: Final = (
    say("Rain water is not for drinking unless treated and tested to local rules."),
    say("An overflow needs a way that does not wash out the slope."),
    say("Work on roofs, in tanks and on pipes between supplies is for people trained and licensed for it."),
)


def account(site: Site, measured: Measured, record: RainRecord | None = None) -> Account:
    """Designed yield against actual by month, season and in all, and the shortfall by cause.

    It begins when something was first measured: a promise of time before that is held against nobody.

    record  that a design check of the site rests on, if there is one: the account's own promise does not
    Raises SettingsError where the site file has no [design].
    """
    asked_ms, measured = measured.start_ms, measured.begun()
    books = books_of(site, measured)
    months, hours = months_of(site, measured), np.ones(measured.hours, dtype=bool)
    by_month = [period(books, f"{month // 12:04}-{month % 12 + 1:02}", months == month) for month in np.unique(months)]
    # A season is three months from December, March, June or September on, named by its first.
    quarter = (months + 1) // 3
    seasons = []
    for one in np.unique(quarter):
        first = one * 3 - 1
        seasons.append(period(books, f"{first // 12:04}-{first % 12 + 1:02}", quarter == one))
    inspection = books.inspection
    return Account(
        site=site.id,
        asked_ms=asked_ms,
        start_ms=measured.start_ms,
        end_ms=measured.end_ms,
        whole=period(books, "all", hours),
        months=by_month,
        seasons=seasons,
        roofs=[_roofs(site, found) for found in inspection.roofs],
        tanks=[_tank(found) for found in inspection.tanks],
        basis=basis(site, record),
        notes=_notes(site, measured, inspection),
        cautions=list(CAUTIONS),
    )


def books_of(site: Site, measured: Measured) -> Books:
    """Everything by the hour."""
    rain_mm = design_rain_mm(site, measured)
    inspection = inspect(site, measured)
    start_l = _start_l(site, inspection)
    designed = run_balance(site, inspection.plan, measured.start_ms, rain_mm, start_l)
    wanted_l, _ = demand_l(site, measured.start_ms, measured.hours)
    seen = actual(site, measured, inspection, wanted_l)
    dry_mm = drying_of(site, measured.start_ms, rain_mm)
    rungs = ladder(site, inspection, designed, measured.rain_mm, dry_mm)
    area_m2 = float(inspection.plan.roof_area_m2.sum() + inspection.plan.open_m2.sum())
    return Books(site, measured, inspection, designed, seen, rungs, parts(designed, seen, rungs), area_m2)


def _start_l(site: Site, inspection: Inspection) -> Floats:
    """The design starts with what stood in the tanks; where that is not known, with half of it."""
    pairs = zip(storages_of(site), inspection.tanks, strict=True)
    return np.array([
        min(storage.geometry.capacity_l, first_known(tank.volume_l, storage.geometry.capacity_l / 2))
        for storage, tank in pairs
    ])  # fmt: skip


def first_known(volume_l: Floats, otherwise_l: float) -> float:
    """The first volume that was measured."""
    known = volume_l[~np.isnan(volume_l)]
    return float(known[0]) if len(known) else otherwise_l


def _roofs(site: Site, found: RoofsFound) -> RoofLearned:
    runoff, prior = found.found.runoff, found.catchment.prior(site)
    return RoofLearned(
        found.catchment.name(site),
        found.catchment.metered,
        runoff.events,
        runoff.coefficient,
        runoff.coefficient_sd,
        runoff.loss_mm,
        runoff.loss_sd_mm,
        prior.coefficient,
        prior.loss_mm,
        found.found.trend_year,
        found.found.trend_sd,
    )


def _tank(found: TankFound) -> TankLearned:
    loss, sensor = found.loss, found.sensor
    metered = loss is not None and np.isfinite(loss.gain_sd)
    return TankLearned(
        " + ".join(found.ids),
        None if loss is None else loss.leak_l_h,
        None if loss is None else loss.leak_sd_l_h,
        loss.gain if loss is not None and metered else None,
        loss.gain_sd if loss is not None and metered else None,
        None if sensor is None else float(sensor.error_m[-1]),
        None if sensor is None else sensor.change_m,
    )


def _notes(site: Site, measured: Measured, inspection: Inspection) -> list[Saying]:
    """What the account could not see."""
    notes = []
    if np.isnan(measured.rain_mm).all():
        notes.append(
            say("No rain was measured, so no cause before the tank can be told: give a rain record with the account.")
        )
    if blind := [tank for found in inspection.tanks for tank in found.ids if np.isnan(found.volume_l).all()]:
        notes.append(say("No level was measured of {tanks}.", tanks=names(blind)))
    if unmetered := [draw for found in inspection.tanks for draw in found.unmetered]:
        notes.append(
            say("Without a meter: {draws}. The level tells what is drawn there, and cannot tell it from a leak.",
                draws=names(unmetered))
        )  # fmt: skip
    together = [found.catchment.name(site) for found in inspection.roofs if len(found.catchment.roofs) > 1]
    if together:
        notes.append(say("These roofs share a tank and have no meter: {roofs}. One cannot be told from the other.",
                         roofs=names(together)))  # fmt: skip
    return notes
