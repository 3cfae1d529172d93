"""Where the sun stands, and what it brings to the ground, to a wet roof and to a panel.

Everything by minute, as arrays. The equation of time (up to 16 minutes) is left out.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from ingest.instants import DAY_MS, HOUR_MS
from ingest.site import Site

Floats = npt.NDArray[np.float64]
Instants = npt.NDArray[np.int64]

SOLAR_CONSTANT_W_M2: Final = 1361.0
#: Days from 1 January 2000 to the epoch: the year's day is counted from there.
_EPOCH_DAY: Final = 10_957
_YEAR_DAYS: Final = 365.2425


def day_of_year(times_ms: Instants) -> Floats:
    """Day of the mean year, 1 at the start of January. [d]"""
    return np.asarray((times_ms / DAY_MS - _EPOCH_DAY) % _YEAR_DAYS + 1)


def sun_height(site: Site, times_ms: Instants, *, tilt_deg: float = 0.0) -> Floats:
    """Cosine of the sun's angle to the normal of a plane that leans towards the equator; 0 flat.

    Declination after Cooper 1969: 23.45° · sin(2π (284 + n) / 365) (from memory).
    """
    declination = np.radians(23.45) * np.sin(2 * np.pi * (284 + day_of_year(times_ms)) / 365)
    hour_angle = 2 * np.pi * (times_ms % DAY_MS / HOUR_MS + site.longitude / 15 - 12) / 24
    # A plane leaning by β towards the equator is flat at a latitude nearer to it by β.
    latitude = np.radians(site.latitude - np.copysign(tilt_deg, site.latitude))
    height = np.sin(latitude) * np.sin(declination) + np.cos(latitude) * np.cos(declination) * np.cos(hour_angle)
    return np.asarray(np.maximum(0.0, height))


def clear_sky_w_m2(height: Floats) -> Floats:
    """Sun on flat ground under a clear sky. [W/m²] Haurwitz 1945 (from memory)."""
    safe = np.maximum(height, 1e-3)
    return np.asarray(np.where(height > 0, 1098 * safe * np.exp(-0.057 / safe), 0.0))


def on_panel_w_m2(site: Site, times_ms: Instants, sun_w_m2: Floats) -> Floats:
    """Sun on a panel that leans towards the equator by latitude + 10°. [W/m²]

    Diffuse share from the clearness index after Orgill and Hollands 1977 (from memory);
    diffuse light from the part of the sky that the panel sees, a fifth of all light back from the ground.
    """
    tilt_deg = min(90.0, abs(site.latitude) + 10)
    height = np.maximum(sun_height(site, times_ms), 0.05)  # near the horizon the ratio below would run away
    clearness = sun_w_m2 / (SOLAR_CONSTANT_W_M2 * height)
    diffuse_share = np.interp(clearness, [0.0, 0.35, 0.75], [1.0, 0.913, 0.177])
    beam = sun_w_m2 * (1 - diffuse_share) * sun_height(site, times_ms, tilt_deg=tilt_deg) / height
    sky_seen = (1 + np.cos(np.radians(tilt_deg))) / 2
    return np.asarray(beam + sun_w_m2 * (diffuse_share * sky_seen + 0.2 * (1 - sky_seen)))


def drying_mm(sun_w_m2: Floats, air_cel: Floats) -> Floats:
    """What a wet roof gives to the air in one minute. [mm]

    Makkink 1957, 0.65 · Δ/(Δ + γ) · sun / λ (from memory), and 0.02 mm/h that wind takes at any time.
    """
    saturation_kpa = 0.6108 * np.exp(17.27 * air_cel / (air_cel + 237.3))
    slope = 4098 * saturation_kpa / (air_cel + 237.3) ** 2
    by_sun = 0.65 * slope / (slope + 0.066) * sun_w_m2 * 60 / 2.45e6
    return np.asarray(by_sun + 0.02 / 60)
