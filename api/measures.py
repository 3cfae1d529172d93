"""The units that a reader chose: what a quantity is shown in, and what he writes brought back inside.

Whoever chose US gallons gets inches for levels and rain, square feet and degrees Fahrenheit with them: a tape,
a gauge and a bucket then agree with the page. Volt, ampere and watt are everybody's.
"""

from __future__ import annotations

from typing import Final

from api.languages.language import Language
from api.languages.reader import Units
from ingest.saying import template
from ingest.units import US_CUSTOMARY

#: Kept inside → as it is written.
_WRITTEN: Final = {"Cel": "°C", "1": ""}
#: Units that languages write otherwise; the others are symbols everywhere.
_CALLED: Final = (template("in"), template("in/h"), template("ft²"))


def symbol(inside: str, units: Units, language: Language) -> str:
    """How the unit is written in which a quantity is shown: `L` or `gal`, `m` or `in`, which Spanish calls `pulg`."""
    if units == "us-gallon" and inside in US_CUSTOMARY:
        written = US_CUSTOMARY[inside][0]
        return language.gettext(written) if written in _CALLED else written
    return _WRITTEN.get(inside, inside)


def shown(value: float, inside: str, units: Units) -> float:
    """A value in the unit in which it is shown."""
    if units == "us-gallon" and inside in US_CUSTOMARY:
        scale = US_CUSTOMARY[inside][1]
        return (value - scale.offset) / scale.factor
    return value


def kept(value: float, inside: str, units: Units) -> float:
    """A value that a reader wrote, in the unit kept inside."""
    if units == "us-gallon" and inside in US_CUSTOMARY:
        scale = US_CUSTOMARY[inside][1]
        return scale.factor * value + scale.offset
    return value


def difference(value: float, inside: str, units: Units) -> float:
    """How far two values are apart, in the unit in which they are shown."""
    return shown(value, inside, units) - shown(0.0, inside, units)
