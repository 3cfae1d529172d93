"""Sun above the atmosphere by the hour, and what of it reaches a roof, a pond and a tilted panel.

Allen et al. 1998, Crop evapotranspiration, FAO Irrigation and Drainage Paper 56, equations
21 to 28, for the sun above the atmosphere.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np
import numpy.typing as npt

from forecast.model.compiled import compiled
from ingest.instants import DAY_MS, HOUR_MS

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]

SOLAR_CONSTANT_MJ_M2_MIN: Final = 0.0820
MJ_PER_KWH: Final = 3.6
#: Latent heat of vaporisation. [MJ/kg], and a kilogram on a square metre is a millimetre
_LATENT_HEAT_MJ_KG: Final = 2.45
#: What a panel yields of its rating at a given irradiance: 0.91 for heat (pvlib's clear June day of
#: the tests), 0.82 for dirt, wiring and the controller (common practice, no source).
PANEL_PERFORMANCE: Final = 0.75
#: Share of the sun that the ground before a panel throws back (common practice, no source).
_ALBEDO: Final = 0.2
#: Share of the sun's energy that goes into drying a wet roof (common practice, no source).
DRYING_SHARE: Final = 0.3
#: Open water evaporates 0.53 of the depth that global radiation could (Abtew 1996, Water Resources
#: Bulletin 32, from memory), and about half of the sun above the atmosphere is global radiation.
EVAPORATION_SHARE: Final = 0.53 * 0.5
#: Depth that open water loses over the depth by which a wet roof dries.
EVAPORATION_TO_DRYING: Final = EVAPORATION_SHARE / DRYING_SHARE


@lru_cache(maxsize=1024)
def extraterrestrial_mj_m2(latitude: float, longitude: float, start_ms: int, hours: int) -> Floats:
    """Extraterrestrial radiation of each hour from `start_ms` on. [MJ m⁻² h⁻¹], shape (hours,)

    latitude, longitude in degrees, north and east positive. Equation 28 between the sunset angles.
    Kept, since a site is forecast several times an hour: not to be changed in place.
    """
    starts = start_ms + HOUR_MS * np.arange(hours, dtype=np.float64)
    year_day = (starts / DAY_MS) % 365.25 + 1.0
    angle = 2 * np.pi / 365.0 * year_day
    distance = 1 + 0.033 * np.cos(angle)
    declination = 0.409 * np.sin(angle - 1.39)
    phi = np.radians(latitude)
    sunset = np.arccos(np.clip(-np.tan(phi) * np.tan(declination), -1.0, 1.0))
    b = 2 * np.pi * (year_day - 81) / 364
    equation_of_time_h = 0.1645 * np.sin(2 * b) - 0.1255 * np.cos(b) - 0.025 * np.sin(b)
    midpoint_h = (starts % DAY_MS) / HOUR_MS + 0.5 + longitude / 15.0 + equation_of_time_h
    middle = (np.pi / 12 * (midpoint_h - 12.0) + np.pi) % (2 * np.pi) - np.pi
    first = np.clip(middle - np.pi / 24, -sunset, sunset)
    last = np.clip(middle + np.pi / 24, -sunset, sunset)
    radiation = (
        12 * 60 / np.pi * SOLAR_CONSTANT_MJ_M2_MIN * distance
        * ((last - first) * np.sin(phi) * np.sin(declination)
           + np.cos(phi) * np.cos(declination) * (np.sin(last) - np.sin(first)))
    )  # fmt: skip
    return np.asarray(np.maximum(0.0, radiation))


def panel_wh(radiation_mj_m2: Floats, panel_w: float) -> Floats:
    """Energy of a panel from the radiation on it. [MJ m⁻²] → [Wh]

    A panel is rated at 1 kW/m², so its rating times the kWh/m² is its energy, less the losses.
    """
    return radiation_mj_m2 / MJ_PER_KWH * panel_w * PANEL_PERFORMANCE


def diffuse_share(clearness: Floats) -> Floats:
    """Share of the global radiation that is diffuse, from the clearness index. (Erbs et al. 1982, from memory)

    clearness  global radiation over that above the atmosphere, both on the horizontal; any shape
    """
    cloudy = 1.0 - 0.09 * clearness
    between = 0.9511 + clearness * (-0.1604 + clearness * (4.388 + clearness * (-16.638 + clearness * 12.336)))
    return np.where(clearness <= 0.22, cloudy, np.where(clearness <= 0.8, between, 0.165))


def on_panel(clearness: Floats, tilt_deg: float) -> tuple[Floats, Floats]:
    """Terms (direct, diffuse) of the radiation on a tilted plane over that above the atmosphere.

    Their sum is direct · (the plane's beam ratio) + diffuse. Sky after Hay and Davies 1980 (from
    memory): diffuse light around the sun comes from its direction, the rest from all the sky.
    """
    diffuse = diffuse_share(clearness) * clearness
    beam = clearness - diffuse
    sky = (1 + np.cos(np.radians(tilt_deg))) / 2
    return beam * (1 + diffuse), diffuse * (1 - beam) * sky + clearness * _ALBEDO * (1 - sky)


@compiled
def tilted(sun: Floats, ratio: Floats, direct: Floats, diffuse: Floats, day: Integers) -> Floats:
    """What falls on a tilted panel in each hour and member, in the unit of `sun`. (H, M)

    sun, ratio       on the horizontal above the atmosphere, and the plane's beam ratio (H,)
    direct, diffuse  terms of `on_panel`, by day and member (D, M); day  which one an hour belongs to (H,)
    """
    hours, members = len(sun), direct.shape[1]
    out = np.empty((hours, members))
    for h in range(hours):
        d = day[h]
        for m in range(members):
            out[h, m] = sun[h] * (direct[d, m] * ratio[h] + diffuse[d, m])
    return out


def drying_mm(radiation_mj_m2: Floats) -> Floats:
    """Depth by which a wet roof dries. [MJ m⁻²] → [mm]"""
    return radiation_mj_m2 / _LATENT_HEAT_MJ_KG * DRYING_SHARE
