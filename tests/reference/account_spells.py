"""Coefficient and loss of a roof after its first 30 and its first 100 spells of rain, beside the simulator's."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np

from forecast.account.inspection import inspect
from forecast.account.measured import Measured
from ingest.site import Site
from tests.reference.account_sites import DAYS, played

#: Spells → what the aims allow: of the coefficient, and of the loss [mm].
ALLOWED: Final = {30: (0.05, 0.3), 100: (0.03, 0.2)}


class Learnt(NamedTuple):
    """A clean site's roof after its first spells; coefficient_sds: the error in its own standard deviations."""

    site: str
    meters: str
    spells: int
    days: int
    coefficient_off: float
    coefficient_sds: float
    loss_off_mm: float
    within: bool


def learnt(site: Site, measured: Measured, spells: int) -> Learnt | None:
    """After so many spells that could be told; None: the year has fewer."""
    low, high = 0, measured.hours // 24
    if inspect(site, measured).roofs[0].found.runoff.events < spells:
        return None
    while high - low > 1:
        middle = (low + high) // 2
        enough = inspect(site, measured.part(0, middle * 24)).roofs[0].found.runoff.events >= spells
        low, high = (low, middle) if enough else (middle, high)
    runoff = inspect(site, measured.part(0, high * 24)).roofs[0].found.runoff
    roof = site.roof[0]
    off, loss_off_mm = runoff.coefficient - roof.runoff_coefficient, runoff.loss_mm - roof.wetting_loss_mm
    allowed, allowed_mm = ALLOWED[spells]
    return Learnt(
        site.id,
        meters_of(site),
        spells,
        high,
        round(off, 3),
        round(off / runoff.coefficient_sd, 2),
        round(loss_off_mm, 2),
        bool(abs(off) < allowed and abs(loss_off_mm) < allowed_mm),
    )


def meters_of(site: Site) -> str:
    """Which meters a site has."""
    return "+".join(sensor.name for sensor in site.sensor if sensor.name in ("inflow", "draw")) or "none"


def learnt_of(number: int, days: int = DAYS, counts: Iterable[int] = tuple(ALLOWED)) -> list[Learnt]:
    """Play one site clean and learn of it."""
    with tempfile.TemporaryDirectory() as folder:
        site, measured, _ = played(number, "clean", Path(folder), days)
    return [one for spells in counts if (one := learnt(site, measured, spells)) is not None]


class Spread(NamedTuple):
    """All sites after so many spells: how many are within what the aims allow, the errors' root mean square."""

    spells: int
    sites: int
    within: int
    coefficient_rms: float
    coefficient_worst: float
    coefficient_within_2_sd: int
    loss_rms_mm: float
    loss_worst_mm: float


def spreads(found: list[Learnt]) -> list[Spread]:
    """By the number of spells."""
    out = []
    for spells in ALLOWED:
        of = [one for one in found if one.spells == spells]
        if of:
            off, loss_mm = (np.array([getattr(one, name) for one in of]) for name in ("coefficient_off", "loss_off_mm"))
            out.append(
                Spread(
                    spells,
                    len(of),
                    sum(one.within for one in of),
                    round(float(np.sqrt((off**2).mean())), 3),
                    float(np.abs(off).max()),
                    sum(abs(one.coefficient_sds) < 2 for one in of),
                    round(float(np.sqrt((loss_mm**2).mean())), 2),
                    float(np.abs(loss_mm).max()),
                )
            )
    return out
