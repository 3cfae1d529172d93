"""The figures of commissioning: a value in its unit, and what is compared as finely as it is compared. Pure."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from ingest import saying
from ingest.saying import Figure
from ingest.units import MINUTES_PER_HOUR

_MAKERS: Final[dict[str, Callable[[float], Figure]]] = {
    "m": saying.metres,
    "V": saying.volts,
    "Cel": saying.celsius,
    "L": saying.litres,
    "mm": saying.millimetres,
}
#: A bucket's amount and a twentieth of it would else be said as 5 and 0.
_FINE: Final[dict[str, Callable[[float], Figure]]] = {"L": saying.litres_fine, "mm": saying.millimetres_fine}


def figure_of(unit: str, value: float) -> Figure:
    """A value in its unit, as a person reads it off."""
    if unit == "L/h":
        return saying.litres_a_minute(value / MINUTES_PER_HOUR)
    return _MAKERS.get(unit, saying.number)(value)


def compared_figure(unit: str, value: float) -> Figure:
    """A value beside another, in their unit."""
    return _FINE[unit](value) if unit in _FINE else figure_of(unit, value)


def difference_figure(unit: str, value: float) -> Figure:
    """How far two values are apart, in their unit."""
    return saying.celsius_apart(value) if unit == "Cel" else compared_figure(unit, value)
