"""Where the sun stands to a tilted panel, by the hour: pvlib's solar position, kept by site and day."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np
import numpy.typing as npt

from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS
from ingest.site import Battery, Site

Floats = npt.NDArray[np.float64]

#: The sun is looked at so many times an hour, so that hours of sunrise and sunset come out right.
_LOOKS: Final = 6
#: Days in a kept piece; a forecast with its spin-up is two of them.
_DAYS: Final = 32
#: Below a sun this low a tilted panel is taken to see no more of it: the ratio would grow without end.
_MOST: Final = 6.0


def tilt_of(site: Site, battery: Battery) -> float:
    """Tilt of the panel from the horizontal; by default the latitude. [degrees]"""
    return abs(site.latitude) if battery.tilt_deg is None else battery.tilt_deg


def beam_ratio(site: Site, battery: Battery, start_ms: int, hours: int) -> Floats:
    """Direct sun on the panel's plane over direct sun on the horizontal, for each hour from `start_ms` on. (hours,)

    The panel faces the equator where the site file does not say otherwise.
    """
    equator = 180.0 if site.latitude >= 0 else 0.0
    azimuth = equator if battery.azimuth_deg is None else battery.azimuth_deg
    where = (site.latitude, site.longitude, tilt_of(site, battery), azimuth)
    piece_ms = _DAYS * DAY_MS
    first, last = start_ms // piece_ms, (start_ms + hours * HOUR_MS - 1) // piece_ms
    ratios = np.concatenate([_piece(*where, piece * piece_ms) for piece in range(first, last + 1)])
    skip = (start_ms - first * piece_ms) // HOUR_MS
    return ratios[skip : skip + hours]


@lru_cache(maxsize=20_000)
def _piece(latitude: float, longitude: float, tilt_deg: float, azimuth_deg: float, start_ms: int) -> Floats:
    from pvlib import irradiance, solarposition  # noqa: PLC0415 - a second, and only where there is a panel

    step_ms = HOUR_MS // _LOOKS
    looks = start_ms + step_ms // 2 + step_ms * np.arange(_DAYS * 24 * _LOOKS, dtype=np.int64)
    year_day = looks / DAY_MS % 365.2425 + 1.0
    minutes = looks % DAY_MS / MINUTE_MS + solarposition.equation_of_time_spencer71(year_day)
    hour_angle = np.radians(longitude + minutes / 4.0 - 180.0)
    declination, phi = solarposition.declination_spencer71(year_day), np.radians(latitude)
    zenith = solarposition.solar_zenith_analytical(phi, hour_angle, declination)
    azimuth = solarposition.solar_azimuth_analytical(phi, hour_angle, declination, zenith)
    up = np.maximum(0.0, np.cos(zenith))
    towards = irradiance.aoi_projection(tilt_deg, azimuth_deg, np.degrees(zenith), np.degrees(azimuth))
    facing = np.maximum(0.0, towards) * (up > 0)
    up_h, facing_h = (values.reshape(-1, _LOOKS).sum(axis=1) for values in (up, facing))
    return np.asarray(np.clip(facing_h / np.maximum(up_h, 1e-6), 0.0, _MOST))
