"""Rain by the minute: invented storms, and hours of a record broken into bursts.

The storms are invented weather for demonstrations and tests. They follow a site's monthly means
and have spells, seasons and bursts, but they are no climate: size nothing by them.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from simulator.sun import Floats

#: Means of the storm generator, chosen by eye so that a year looks like a temperate one.
_WET_SPELL_H: Final = 72.0
_DRY_SPELL_H: Final = 60.0
_STORM_EVERY_H: Final = 16.0
_CELLS_A_STORM: Final = 4.0
#: Shape of the depths of cells: below 1, so few cells bring most of the rain.
_DEPTH_SHAPE: Final = 0.45
#: Bursts within one hour of a record.
_BURSTS: Final = 4


class _Season(NamedTuple):
    """cell_min: mean duration of a cell [min]; storm_h: over how long its cells are spread [h]"""

    cell_min: float
    storm_h: float


def storms(minutes: int, mean_mm: float, summer: float, rng: np.random.Generator) -> Floats:
    """Rain of `minutes` minutes that brings `mean_mm` on average over many seeds. [mm a minute]

    Spells are wet or dry; in a wet one storms arrive at random, each with some cells that rise,
    fall and gust. `summer` from 0 to 1 makes cells short and sharp. What would fall after the end
    falls at the start instead, so spans stay independent and the mean is kept.
    """
    season = _Season(cell_min=90 - 68 * summer, storm_h=7 - 4.5 * summer)
    rain = np.zeros(minutes)
    origins = _storm_origins(minutes, rng)
    cells = rng.poisson(_CELLS_A_STORM, origins.size)
    starts = np.repeat(origins, cells) + rng.exponential(season.storm_h * 60, cells.sum())
    durations = np.ceil(rng.exponential(season.cell_min, starts.size)).astype(int) + 2
    wet_share = _WET_SPELL_H / (_WET_SPELL_H + _DRY_SPELL_H)
    expected_cells = minutes / 60 * wet_share / _STORM_EVERY_H * _CELLS_A_STORM
    depths = rng.gamma(_DEPTH_SHAPE, mean_mm / expected_cells / _DEPTH_SHAPE, starts.size)
    for start, duration, depth in zip(starts.astype(int), durations, depths, strict=True):
        shape = _gusts(int(duration), rng)
        np.add.at(rain, (start + np.arange(duration)) % minutes, depth * shape / shape.sum())
    return rain


def _storm_origins(minutes: int, rng: np.random.Generator) -> Floats:
    """Minutes at which storms begin: at random within wet spells, never within dry ones."""
    origins: list[Floats] = []
    wet = rng.random() < _WET_SPELL_H / (_WET_SPELL_H + _DRY_SPELL_H)
    here = 0.0
    while here < minutes:
        end = min(minutes, here + rng.exponential((_WET_SPELL_H if wet else _DRY_SPELL_H) * 60))
        if wet:
            origins.append(rng.uniform(here, end, rng.poisson((end - here) / 60 / _STORM_EVERY_H)))
        here, wet = end, not wet
    return np.concatenate(origins) if origins else np.zeros(0)


def _gusts(duration: int, rng: np.random.Generator) -> Floats:
    """A cell's shape: up to a peak and down again, with gusts from minute to minute."""
    middle = np.arange(duration) + 0.5
    peak = rng.uniform(0.1, 0.9) * duration
    triangle = np.minimum(middle / peak, (duration - middle) / (duration - peak))
    return np.asarray(triangle * rng.gamma(2.0, 0.5, duration))


def minutes_of_hours(rain_mm: Floats, rng: np.random.Generator) -> Floats:
    """Break hours of rain into 60 minutes each, in bursts; every hour keeps its total. [mm]"""
    out = np.zeros((rain_mm.size, 60))
    wet = np.flatnonzero(rain_mm > 0)
    minute = np.arange(60) + 0.5
    shape = (wet.size, _BURSTS, 1)
    centre, width = rng.uniform(0, 60, shape), 2 + rng.exponential(8, shape)
    bursts = rng.exponential(1, shape) * np.maximum(0, 1 - np.abs(minute - centre) / width)
    # The drizzle keeps an hour from having no minute at all when every burst misses it.
    weights = (bursts.sum(axis=1) + 0.01) * rng.gamma(2.0, 0.5, (wet.size, 60))
    out[wet] = rain_mm[wet, None] * weights / weights.sum(axis=1, keepdims=True)
    out[wet, out[wet].argmax(axis=1)] += rain_mm[wet] - out[wet].sum(axis=1)
    return out.ravel()
