"""One deterministic run of the balance over a rain record: what would have happened."""

from __future__ import annotations

import numpy as np
import pandas as pd

from forecast.model.balance import LEDGER, Drivers, blank_state, run
from forecast.model.draw import demand_l
from forecast.model.plan import plan_of
from forecast.model.storage import storages_of
from forecast.model.sun import drying_mm, extraterrestrial_mj_m2, panel_wh
from forecast.outlook.record import RainRecord
from ingest.errors import RecordFileError, SettingsError
from ingest.instants import HOUR_MS, to_rfc3339
from ingest.site import Site

#: Share of the sun that reaches the panel, day in, day out (common practice, no source).
CLEARNESS = 0.5
#: A day is short when more than this was wanted in vain. [L]
_SHORT_L = 0.5


def replay(site: Site, record: RainRecord, start_level_m: float, *, spill_first: bool = False) -> pd.DataFrame:
    """Run a site over a whole record from a level that every tank starts at.

    Hourly columns: time (start of the hour, RFC 3339), rain_mm, inflow_l, first_flush_l,
    gutter_loss_l, drawn_l, spilled_l, volume_l (all tanks, at the end of the hour); then
    evaporated_l and backup_l where there was any. `attrs` of the table holds start_volume_l,
    wanted_l and short_days: days on which less was drawn than was wanted.
    Raises RecordFileError on a record with unknown hours, which are not dry hours, and
    SettingsError on a level that a tank cannot have.
    """
    unknown = np.flatnonzero(np.isnan(record.rain_mm))
    if len(unknown):
        first = to_rfc3339(record.start_ms + int(unknown[0]) * HOUR_MS)
        raise RecordFileError(
            f"{record.name}: rain is not known in {len(unknown)} hours, the first {first}; replay a part without gaps"
        )
    brim_m = min(tank.overflow_height_m for tank in site.tank)
    if not 0 <= start_level_m <= brim_m:
        raise SettingsError(
            f"start level {start_level_m:g} m: expected 0 to {brim_m:g} m, the lowest brim of {site.id}"
        )
    hours = len(record.rain_mm)
    plan = plan_of(site)
    radiation = extraterrestrial_mj_m2(site.latitude, site.longitude, record.start_ms, hours)
    wanted, day = demand_l(site, record.start_ms, hours)
    drivers = Drivers(
        rain_mm=record.rain_mm[:, None],
        drying_mm=drying_mm(radiation),
        sun_wh=panel_wh(radiation, site.battery.panel_w if site.battery else 0.0)[:, None] * CLEARNESS,
        coefficient=np.array([[roof.runoff_coefficient] for roof in site.roof]),
        leak_l_h=np.zeros((len(plan.dead_l), 1)),
        demand_l=wanted,
        draw_day=day,
        draw_factor=np.ones((int(day[-1]) + 1, len(site.draw), 1)),
    )
    start_l = np.array([[float(storage.geometry.volume_l(start_level_m))] for storage in storages_of(site)])
    trace = run(plan, drivers, blank_state(plan, 1, volume_l=start_l), ledger=True, spill_first=spill_first)
    columns = {name: trace.ledger[row, :, 0] for row, name in enumerate(LEDGER)}
    table = pd.DataFrame(
        {
            "time": [to_rfc3339(record.start_ms + hour * HOUR_MS) for hour in range(hours)],
            "rain_mm": record.rain_mm,
            **{name: columns[name] for name in ("inflow_l", "first_flush_l", "gutter_loss_l", "drawn_l", "spilled_l")},
            "volume_l": trace.volume_l[:, :, 0].sum(axis=1),
            **{name: columns[name] for name in ("evaporated_l", "backup_l") if columns[name].any()},
        }
    )
    wanted_l = wanted.sum(axis=1)
    short = pd.Series(wanted_l - columns["drawn_l"]).groupby(day).sum() > _SHORT_L
    table.attrs = {
        "start_volume_l": round(float(start_l.sum()), 1),
        "wanted_l": round(float(wanted_l.sum()), 1),
        "short_days": int(short.sum()),
    }
    return table
