"""Sun on a horizontal plane above the atmosphere, by the hour.

Allen et al. 1998, Crop evapotranspiration, FAO Irrigation and Drainage Paper 56, equations
21 to 28. The panel is taken as horizontal: a first form that understates a tilted one in winter.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from ingest.instants import DAY_MS, HOUR_MS

Floats = npt.NDArray[np.float64]

SOLAR_CONSTANT_MJ_M2_MIN: Final = 0.0820
_MJ_PER_KWH: Final = 3.6
#: Latent heat of vaporisation. [MJ/kg], and a kilogram on a square metre is a millimetre
_LATENT_HEAT_MJ_KG: Final = 2.45
#: What a panel yields of its rating at a given irradiance, losses of heat, dirt and wiring in
#: (common practice, no source).
PANEL_PERFORMANCE: Final = 0.75
#: Share of the sun's energy that goes into drying a wet roof (common practice, no source).
DRYING_SHARE: Final = 0.3
#: Open water evaporates 0.53 of the depth that global radiation could (Abtew 1996, Water Resources
#: Bulletin 32, from memory), and about half of the sun above the atmosphere is global radiation.
EVAPORATION_SHARE: Final = 0.53 * 0.5
#: Depth that open water loses over the depth by which a wet roof dries.
EVAPORATION_TO_DRYING: Final = EVAPORATION_SHARE / DRYING_SHARE


def extraterrestrial_mj_m2(latitude: float, longitude: float, start_ms: int, hours: int) -> Floats:
    """Extraterrestrial radiation of each hour from `start_ms` on. [MJ m⁻² h⁻¹], shape (hours,)

    latitude, longitude in degrees, north and east positive. Equation 28 between the sunset angles.
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
    return radiation_mj_m2 / _MJ_PER_KWH * panel_w * PANEL_PERFORMANCE


def drying_mm(radiation_mj_m2: Floats) -> Floats:
    """Depth by which a wet roof dries. [MJ m⁻²] → [mm]"""
    return radiation_mj_m2 / _LATENT_HEAT_MJ_KG * DRYING_SHARE
