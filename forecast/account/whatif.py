"""The same measured months with something changed: a larger tank, another first flush, a different draw.

Both runs are the model's, in the measured rain, with the coefficients, losses and leaks that were
found and the use that was seen; so they differ in what was changed and in nothing else. The run of
the site as it is stands beside what was measured, to show what such a run is worth here.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import numpy as np

from forecast.account.account import books_of, first_known
from forecast.account.actual import wanted_while_held
from forecast.account.designed import Floats, months_of, run_balance
from forecast.account.inspection import Inspection
from forecast.account.measured import Measured
from forecast.account.result import Outcome, WhatIf
from forecast.model.draw import demand_l
from forecast.model.plan import plan_of
from forecast.model.storage import storages_of
from ingest.errors import SettingsError
from ingest.site import Roof, Site
from ingest.sitefile import parse_site

#: A day is short when more than this was wanted in vain. [L]
SHORT_L = 0.5


def what_if(site: Site, measured: Measured, changes: Sequence[str]) -> WhatIf:
    """Run the measured months as the site is and as it would be.

    changes  such as `tank.main.overflow_height_m=2.4`
    Raises SettingsError on a change that names nothing, SiteFileError on one that no site could have.
    """
    other, measured = altered(site, changes), measured.begun()
    books = books_of(site, measured)
    found = books.inspection
    months = months_of(site, measured)
    return WhatIf(
        site=site.id,
        changes=list(changes),
        months=[f"{month // 12:04}-{month % 12 + 1:02}" for month in np.unique(months).tolist()],
        measured_yield_l=float(books.seen.yield_l[books.seen.drawn].sum()),
        as_it_is=_outcome(site, site, measured, found),
        changed=_outcome(site, other, measured, found),
        unknown_h=int(np.isnan(measured.rain_mm).sum()),
    )


def altered(site: Site, changes: Sequence[str]) -> Site:
    """The site with figures replaced, each by `part.id.key=value` (or `part.key=value`), checked like a site file."""
    data = site.model_dump(exclude_none=True, warnings=False)
    for change in changes:
        path, separator, text = change.partition("=")
        if not separator:
            raise SettingsError(f"--what-if {change}: expected key=value, such as tank.main.overflow_height_m=2.4")
        *outer, last = path.strip().split(".")
        here: Any = data
        for step in outer:
            here = _within(here, step, change)
        if not isinstance(here, dict):
            raise SettingsError(f"--what-if {change}: {path} is no key; it ends at a list")
        try:
            here[last] = json.loads(text)
        except json.JSONDecodeError:
            here[last] = text
    return parse_site(data, f"{site.id} with {', '.join(changes)}")


def _within(here: Any, step: str, change: str) -> Any:
    if isinstance(here, dict) and step in here:
        return here[step]
    if isinstance(here, list):
        for part in here:
            if part.get("id") == step:
                return part
        known = ", ".join(part.get("id", "?") for part in here)
    else:
        known = ", ".join(here) if isinstance(here, dict) else "nothing"
    raise SettingsError(f"--what-if {change}: there is no {step}; there is {known}")


def _outcome(site: Site, other: Site, measured: Measured, found: Inspection) -> Outcome:
    """One run of a site with the roofs, leaks and use that were found at the site as it is."""
    other = other.model_copy(update={"roof": _roofs_as_found(site, other, found)})
    storages = storages_of(other)
    if len(storages) != len(found.tanks):
        raise SettingsError("--what-if changes figures; it joins, adds or removes no tank")
    start_l = np.array([
        min(storage.geometry.capacity_l, first_known(tank.volume_l, storage.geometry.capacity_l / 2))
        for storage, tank in zip(storages, found.tanks, strict=True)
    ])  # fmt: skip
    leak_l_h = np.array([tank.loss.leak_l_h if tank.loss and tank.loss.leaks else 0.0 for tank in found.tanks])
    use = _use(site, measured, found)
    rain_mm = np.nan_to_num(measured.rain_mm)
    ran = run_balance(other, plan_of(other), measured.start_ms, rain_mm, start_l, leak_l_h=leak_l_h, use=use)
    wanted, day = demand_l(other, measured.start_ms, measured.hours)
    unmet_l = (wanted * use).sum(axis=1) - ran.ledger["drawn_l"]
    months = months_of(site, measured)
    return Outcome(
        yield_l=float(ran.yield_l.sum()),
        spilled_l=float(ran.ledger["spilled_l"].sum()),
        unmet_l=float(unmet_l.sum()),
        short_days=int((np.bincount(day, unmet_l) > SHORT_L).sum()),
        yield_by_month_l=[float(ran.yield_l[months == month].sum()) for month in np.unique(months)],
    )


def _roofs_as_found(site: Site, other: Site, found: Inspection) -> list[Roof]:
    """The roofs with the coefficients and losses that were learnt, but for those that the change states itself."""
    roofs = list(other.roof)
    for seen in found.roofs:
        runoff, prior = seen.found.runoff, seen.catchment.prior(site)
        for place in seen.catchment.roofs:
            roof, known, learnt = roofs[place], site.roof[place], {}
            if roof.runoff_coefficient == known.runoff_coefficient:
                learnt["runoff_coefficient"] = min(
                    1.0, known.runoff_coefficient * runoff.coefficient / prior.coefficient
                )
            if roof.wetting_loss_mm == known.wetting_loss_mm:
                learnt["wetting_loss_mm"] = max(0.0, known.wetting_loss_mm + runoff.loss_mm - prior.loss_mm)
            roofs[place] = roof.model_copy(update=learnt)
    return roofs


def _use(site: Site, measured: Measured, found: Inspection) -> Floats:
    """What each draw takes over what the site file says, while its tank holds enough; 1 where nothing tells it. (D,)"""
    wanted_l, _ = demand_l(site, measured.start_ms, measured.hours)
    use = np.ones(len(site.draw))
    for tank in found.tanks:
        held_l, enough = wanted_while_held(site, found, tank, wanted_l)
        known = enough & ~np.isnan(tank.use_l)
        if held_l[known].sum() > 0:
            ratio = float(tank.use_l[known].sum() / held_l[known].sum())
            use[[place for place, draw in enumerate(site.draw) if draw.tank in tank.ids]] = max(0.0, ratio)
    return use
