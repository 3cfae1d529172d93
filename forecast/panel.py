"""Where the sun stands to a tilted panel, by the hour: pvlib's solar position, kept by site and day."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from forecast.aside import aside
from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS
from ingest.site import Battery, Site

Floats = npt.NDArray[np.float64]

#: The sun is looked at so many times an hour, so that hours of sunrise and sunset come out right.
_LOOKS: Final = 6
#: Days in a kept piece; a forecast with its spin-up is two of them.
_DAYS: Final = 32
_PIECE_MS: Final = _DAYS * DAY_MS
#: Latitude, longitude, tilt, azimuth and number of a piece, and its beam ratios.
Piece = tuple[float, float, float, float, int]
_kept: dict[Piece, Floats] = {}
#: Below a sun this low a tilted panel is taken to see no more of it: the ratio would grow without end.
_MOST: Final = 6.0


def tilt_of(site: Site, battery: Battery) -> float:
    """Tilt of the panel from the horizontal; by default the latitude. [degrees]"""
    return abs(site.latitude) if battery.tilt_deg is None else battery.tilt_deg


def beam_ratio(site: Site, battery: Battery, start_ms: int, hours: int) -> Floats:
    """Direct sun on the panel's plane over direct sun on the horizontal, for each hour from `start_ms` on. (hours,)

    The panel faces the equator where the site file does not say otherwise.
    """
    where = _place(site, battery)
    first, last = _pieces(start_ms, hours)
    ratios = np.concatenate([_piece((*where, piece)) for piece in range(first, last + 1)])
    skip = (start_ms - first * _PIECE_MS) // HOUR_MS
    return ratios[skip : skip + hours]


def prepare(sites: Iterable[Site], start_ms: int, hours: int) -> None:
    """Find the sun of these hours for all panels at once, in a process of its own. Raises AsideError.

    What is not prepared is found where it is asked for, at the cost of loading pvlib there.
    """
    first, last = _pieces(start_ms, hours)
    for old in [piece for piece in _kept if piece[-1] < first]:
        del _kept[old]
    wanted = {
        (*_place(site, site.battery), piece) for site in sites if site.battery for piece in range(first, last + 1)
    }
    if lacking := sorted(wanted - _kept.keys()):
        _kept.update(zip(lacking, aside("forecast.panel:found", lacking), strict=True))


def found(pieces: Sequence[Piece]) -> list[Floats]:
    """The beam ratios of some pieces. (hours of a piece,) each"""
    return [_found(*piece) for piece in pieces]


def _place(site: Site, battery: Battery) -> tuple[float, float, float, float]:
    """Latitude, longitude, tilt and azimuth of a panel. [degrees]"""
    equator = 180.0 if site.latitude >= 0 else 0.0
    azimuth = equator if battery.azimuth_deg is None else battery.azimuth_deg
    return site.latitude, site.longitude, tilt_of(site, battery), azimuth


def _pieces(start_ms: int, hours: int) -> tuple[int, int]:
    """Numbers of the first and the last piece that hold these hours."""
    return start_ms // _PIECE_MS, (start_ms + hours * HOUR_MS - 1) // _PIECE_MS


def _piece(piece: Piece) -> Floats:
    if piece not in _kept:
        _kept[piece] = _found(*piece)
    return _kept[piece]


def _found(latitude: float, longitude: float, tilt_deg: float, azimuth_deg: float, number: int) -> Floats:
    from pvlib import irradiance, solarposition  # noqa: PLC0415 - a second and 60 MB, and only where it is used

    start_ms = number * _PIECE_MS
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
