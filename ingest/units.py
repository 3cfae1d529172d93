"""The only conversions of the project.

Inside, a quantity has one unit: metre (level), litre (volume), litre per hour (flow),
millimetre (rain), millimetre per hour (rain rate), volt, ampere, degree Celsius, one (share).
Devices speak the units of the SenML registry (RFC 8428 section 12.1) and its secondary
units (RFC 8798 section 3); both lists are from memory of the documents.
"""

from __future__ import annotations

from typing import Final, NamedTuple

LITRES_PER_M3: Final = 1_000.0
SECONDS_PER_HOUR: Final = 3_600.0
MINUTES_PER_HOUR: Final = 60.0
MM_PER_M: Final = 1_000.0
#: 231 cubic inches of 25.4 mm.
LITRES_PER_US_GALLON: Final = 231 * 2.54**3 / 1_000


class Scale(NamedTuple):
    """inside = factor · sent + offset"""

    factor: float
    offset: float = 0.0


#: Dimension → unit kept inside → what a device may send for it.
SENT_UNITS: Final[dict[str, dict[str, Scale]]] = {
    "m": {"m": Scale(1.0), "cm": Scale(0.01), "mm": Scale(0.001)},
    "L": {"m3": Scale(LITRES_PER_M3), "l": Scale(1.0)},
    "L/h": {
        "m3/s": Scale(LITRES_PER_M3 * SECONDS_PER_HOUR),
        "l/s": Scale(SECONDS_PER_HOUR),
    },
    "mm": {"mm": Scale(1.0), "cm": Scale(10.0), "m": Scale(MM_PER_M)},
    "mm/h": {"mm/h": Scale(1.0), "m/h": Scale(MM_PER_M), "m/s": Scale(MM_PER_M * SECONDS_PER_HOUR)},
    "V": {"V": Scale(1.0), "mV": Scale(0.001)},
    "A": {"A": Scale(1.0), "mA": Scale(0.001)},
    "Cel": {"Cel": Scale(1.0), "K": Scale(1.0, -273.15)},
    "1": {"/": Scale(1.0), "%": Scale(0.01), "/100": Scale(0.01), "/1000": Scale(0.001)},
}

#: What weather services write beside their numbers, by the unit kept inside. A kilogram of water on
#: a square metre is a millimetre.
WEATHER_LABELS: Final[dict[str, dict[str, Scale]]] = {
    "mm": {
        "mm": Scale(1.0), "cm": Scale(10.0), "m": Scale(MM_PER_M), "inch": Scale(25.4), "in": Scale(25.4),
        "kg/m2": Scale(1.0), "kg/m²": Scale(1.0), "kg_m-2": Scale(1.0), "kg m-2": Scale(1.0),
    },
    "Cel": {
        "°C": Scale(1.0), "degC": Scale(1.0), "celsius": Scale(1.0), "K": Scale(1.0, -273.15),
        "°F": Scale(5 / 9, -32 * 5 / 9), "degF": Scale(5 / 9, -32 * 5 / 9),
    },
    "W/m2": {"W/m²": Scale(1.0), "W/m2": Scale(1.0), "W_m-2": Scale(1.0)},
}  # fmt: skip

#: Spellings seen in the field that the registry lacks, and what to send instead.
_MEND: Final[dict[str, str]] = {
    "l/min": "l/s (divide by 60) or m3/s (divide by 60000)",
    "L/min": "l/s (divide by 60) or m3/s (divide by 60000)",
    "lpm": "l/s (divide by 60) or m3/s (divide by 60000)",
    "l/h": "l/s (divide by 3600) or m3/s (divide by 3600000)",
    "L": "l, or better m3 (divide by 1000)",
    "degC": "Cel",
    "C": "Cel (in the registry C is the coulomb)",
    "°C": "Cel",
    "gal": "m3 (multiply US gallons by 0.003785411784)",
    "in": "m (multiply by 0.0254) or mm (multiply by 25.4)",
    "ft": "m (multiply by 0.3048)",
    "volt": "V",
    "mv": "mV",
}


def scale_for(inside: str, sent: str) -> Scale:
    """How to bring a value in the `sent` unit to the `inside` one.

    Raises ValueError with what to send when the registry lacks the unit or it does not fit.
    """
    accepted = SENT_UNITS[inside]
    try:
        return accepted[sent]
    except KeyError:
        pass
    remedy = _MEND.get(sent) or "one of " + ", ".join(accepted)
    known = any(sent in units for units in SENT_UNITS.values())
    fault = "does not fit this quantity" if known else "is not in the SenML unit registry (RFC 8428, RFC 8798)"
    raise ValueError(f"unit {sent!r} {fault}: send {remedy}")


def weather_scale(inside: str, label: str | None) -> Scale:
    """How to bring a weather service's value to the unit kept inside. Raises ValueError on any other label."""
    accepted = WEATHER_LABELS[inside]
    if label not in accepted:
        raise ValueError(f"unit {label!r} is none of {', '.join(accepted)}")
    return accepted[label]


#: Unit kept inside → what people write behind a number that they measured.
WRITTEN_UNITS: Final[dict[str, dict[str, Scale]]] = {
    "m": {
        "m": Scale(1.0), "cm": Scale(0.01), "mm": Scale(0.001), "in": Scale(0.0254), '"': Scale(0.0254),
        "ft": Scale(0.3048), "'": Scale(0.3048), "pulg": Scale(0.0254),
    },
    "L": {
        "L": Scale(1.0), "l": Scale(1.0), "m3": Scale(LITRES_PER_M3), "m³": Scale(LITRES_PER_M3),
        "gal": Scale(LITRES_PER_US_GALLON),
    },
    "mm": {"mm": Scale(1.0), "cm": Scale(10.0), "in": Scale(25.4), '"': Scale(25.4), "pulg": Scale(25.4)},
    "V": {"V": Scale(1.0), "mV": Scale(0.001)},
    "A": {"A": Scale(1.0), "mA": Scale(0.001)},
    "Cel": {
        "°C": Scale(1.0), "C": Scale(1.0), "°F": Scale(5 / 9, -32 * 5 / 9), "F": Scale(5 / 9, -32 * 5 / 9),
    },
}  # fmt: skip

#: Unit kept inside → what readers of US customary units get for it, and how to bring that inside. A level
#: is in inches, as a tape and a rain gauge have them. (NIST Handbook 44, appendix C, from memory)
US_CUSTOMARY: Final[dict[str, tuple[str, Scale]]] = {
    "m": ("in", Scale(0.0254)),
    "cm": ("in", Scale(2.54)),
    "mm": ("in", Scale(25.4)),
    "mm/h": ("in/h", Scale(25.4)),
    "L": ("gal", Scale(LITRES_PER_US_GALLON)),
    "L/min": ("gal/min", Scale(LITRES_PER_US_GALLON)),
    "L/h": ("gal/h", Scale(LITRES_PER_US_GALLON)),
    "m²": ("ft²", Scale(0.3048**2)),
    "Cel": ("°F", Scale(5 / 9, -32 * 5 / 9)),
}


def litres_from_rain(rain_mm: float, area_m2: float) -> float:
    """Volume of a depth of rain on a plan area. [L] 1 mm on 1 m² is 1 L, exactly."""
    return rain_mm * area_m2


def us_gallons(volume_l: float) -> float:
    """US gallons in a volume of litres. [US gal]"""
    return volume_l / LITRES_PER_US_GALLON
