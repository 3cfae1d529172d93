"""What the design promised for these hours: its rain, through the site as its file describes it.

A design names rain by the month; when in the month it falls decides what a tank can keep. So its
rain falls in the hours in which rain was measured, scaled to the design's month: then the two runs
differ in how much fell, not in the weather's timing, which no design promises.
"""

from __future__ import annotations

from calendar import monthrange
from typing import Final, NamedTuple

import numpy as np
import numpy.typing as npt

from forecast.account.measured import Measured
from forecast.model.balance import LEDGER, Drivers, blank_state, run
from forecast.model.draw import demand_l, local_hours
from forecast.model.plan import Plan
from forecast.model.sun import drying_mm, extraterrestrial_mj_m2, panel_wh
from forecast.replay import CLEARNESS
from ingest.errors import SettingsError
from ingest.instants import to_datetime
from ingest.site import Site

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

#: By so much of a usual hour's drying a roof dries in an hour with rain. Half of it is dry (common practice, no
#: source), under a sky that lets through half of what a usual one does (0.25 to 0.25 + 0.50 · ½ of what comes from
#: above the atmosphere: FAO-56, equation 35, from memory) to all of it: 0.25 to 0.5. Between these, the one
#: that came nearest on simulated sites (`python -m tests.reference.account_truth`, sites 62 to 71).
DRY_SHARE: Final = 0.35
#: Measured rain is scaled up by this at most; what a month then lacks falls in spells of its own.
MOST_SCALED: Final = 2.0
#: These spells: every so many days, within these local hours. (common practice, no source)
SPELL_DAYS: Final = 3
SPELL_HOURS: Final = (9, 15)


class Designed(NamedTuple):
    """The design's balance by the hour. (H,) each [L]

    ledger  by the names of `balance.LEDGER`; stored_l: change of what stands in the tanks
    """

    rain_mm: Floats
    ledger: dict[str, Floats]
    stored_l: Floats

    @property
    def yield_l(self) -> Floats:
        """Rain water that was drawn."""
        return np.asarray(self.ledger["drawn_l"] - self.ledger["backup_l"])


def months_of(site: Site, measured: Measured) -> Integers:
    """Each hour's local month, counted from January of year 0. (H,)"""
    _, month, day = local_hours(site, measured.start_ms, measured.hours)
    first = to_datetime(measured.start_ms).astimezone(site.zone)
    january = np.cumsum(np.diff(month, prepend=month[0]) < 0)
    del day
    return np.asarray((first.year + january) * 12 + month - 1)


def design_rain_mm(site: Site, measured: Measured) -> Floats:
    """The design's rain by the hour. (H,) [mm] Raises SettingsError where the site file promises none."""
    if site.design is None:
        raise SettingsError(
            f"{site.id}: the account compares with what the design promised; "
            "give the site file a [design] with rain_mm, twelve months in millimetres"
        )
    hour, _, day = local_hours(site, measured.start_ms, measured.hours)
    spell = (day % SPELL_DAYS == 0) & (hour >= SPELL_HOURS[0]) & (hour < SPELL_HOURS[1])
    months, out = months_of(site, measured), np.zeros(measured.hours)
    for month in np.unique(months).tolist():
        inside = months == month
        in_month = monthrange(month // 12, month % 12 + 1)[1] * 24
        wanted_mm = site.design.rain_mm[month % 12] * min(1.0, inside.sum() / in_month)
        for hours in (inside & ~np.isnan(measured.rain_mm), inside & np.isnan(measured.rain_mm)):
            out[hours] = _laid(measured.rain_mm[hours], spell[hours], wanted_mm * hours.sum() / inside.sum())
    return out


def _laid(rain_mm: Floats, spell: npt.NDArray[np.bool_], wanted_mm: float) -> Floats:
    """So much rain in these hours: as it was measured, and what lacks in spells. NaN: not measured. (N,)"""
    if not len(rain_mm):
        return rain_mm
    seen = np.nan_to_num(rain_mm)
    scaled = seen * min(MOST_SCALED, wanted_mm / seen.sum()) if seen.sum() > 0 else seen
    lacking = wanted_mm - scaled.sum()
    where = spell if spell.any() else np.ones(len(seen), dtype=bool)
    return np.asarray(scaled + where * (lacking / where.sum()))


def drying_of(site: Site, start_ms: int, rain_mm: Floats) -> Floats:
    """Depth by which a wet roof dries in each hour. (H,) [mm]"""
    radiation = extraterrestrial_mj_m2(site.latitude, site.longitude, start_ms, len(rain_mm))
    return np.asarray(drying_mm(radiation) * np.where(np.nan_to_num(rain_mm) > 0, DRY_SHARE, 1.0))


def run_balance(
    site: Site,
    plan: Plan,
    start_ms: int,
    rain_mm: Floats,
    start_l: Floats,
    *,
    leak_l_h: Floats | None = None,
    use: Floats | None = None,
) -> Designed:
    """The balance of a site as its file describes it, from dry roofs on.

    start_l, leak_l_h  of each storage (T,); use  of each draw over what the file says (D,)
    """
    hours = len(rain_mm)
    radiation = extraterrestrial_mj_m2(site.latitude, site.longitude, start_ms, hours)
    wanted, day = demand_l(site, start_ms, hours)
    drivers = Drivers(
        rain_mm=rain_mm[:, None],
        drying_mm=drying_of(site, start_ms, rain_mm),
        sun_wh=panel_wh(radiation, site.battery.panel_w if site.battery else 0.0)[:, None] * CLEARNESS,
        coefficient=np.array([[roof.runoff_coefficient] for roof in site.roof]),
        leak_l_h=(np.zeros(len(plan.dead_l)) if leak_l_h is None else leak_l_h)[:, None],
        demand_l=wanted,
        draw_day=day,
        draw_factor=np.ones((int(day[-1]) + 1, 1, 1)) * (np.ones(len(site.draw)) if use is None else use)[:, None],
    )
    trace = run(plan, drivers, blank_state(plan, 1, volume_l=start_l[:, None]), ledger=True)
    held = np.concatenate([[start_l.sum()], trace.volume_l[:, :, 0].sum(axis=1)])
    return Designed(rain_mm, {name: trace.ledger[row, :, 0] for row, name in enumerate(LEDGER)}, np.diff(held))
