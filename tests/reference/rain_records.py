"""Rain that nobody here invented: open records that test dependencies carry."""

from __future__ import annotations

from functools import cache
from importlib.resources import files

import numpy as np
import pandas as pd

from forecast.outlook.record import RainRecord
from ingest.instants import HOUR_MS

#: Chair of Landscape, Water and Biogeochemical Cycles, Justus Liebig University Giessen: weather
#: station at the Schwingbach near Rechtenbach, Hesse, 2014-16; carried by spotpy 1.6 (MIT); its
#: header allows any purpose with reference. The column is mm/day in each hour.
SCHWINGBACH = "cmf_data/driver_data_site24.csv"


@cache
def schwingbach() -> RainRecord:
    """The Schwingbach record, hourly; hours without a row are unknown."""
    path = files("spotpy.examples").joinpath(SCHWINGBACH)
    table = pd.read_csv(str(path), comment="#")
    times = pd.to_datetime(table["time"], utc=True).to_numpy(dtype="datetime64[ms]").astype(np.int64)
    order = np.argsort(times, kind="stable")
    times, rain = times[order], table["rain_mmday"].to_numpy(dtype=float)[order] / 24.0
    places = (times - times[0]) // HOUR_MS
    filled = np.full(int(places[-1]) + 1, np.nan)
    filled[places] = rain
    return RainRecord(int(times[0]), filled, "Schwingbach")
