"""Say a kept sentence: its template in a language, its figures in that language's forms and the site's time."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final
from zoneinfo import ZoneInfo

from api import words
from api.languages.language import ENGLISH, Language
from api.languages.reader import Reader, Units
from ingest.saying import Figure, Saying


@dataclass(frozen=True)
class Speaker:
    """Speaks for one reader: in whose time zone, language and units. What was kept as plain text is said as it is."""

    zone: ZoneInfo
    language: Language = ENGLISH
    units: Units = "litre"

    @classmethod
    def to(cls, reader: Reader, zone: ZoneInfo) -> Speaker:
        """Speaks to that reader about a place in that time zone."""
        return cls(zone, reader.language, reader.units)

    def say(self, saying: Saying | str) -> str:
        """The whole sentence."""
        if isinstance(saying, str):
            return saying
        template = self.language.gettext(saying.text)
        return template.format(**{name: self.figure(figure) for name, figure in saying.figures.items()})

    def figure(self, figure: Figure) -> str:
        """One figure, in words or numbers."""
        value = figure.value
        if isinstance(value, list):
            parts = [self.say(part) for part in value]
            return "; ".join(parts) if figure.kind == "said" else words.listed(parts, self.language)
        if isinstance(value, str):
            return value
        return _FORMS[figure.kind](value, self)


def _measure(inside: str) -> Callable[[float, Speaker], str]:
    return lambda value, to: words.measure(value, inside, to.language, to.units)


def _a_day(flow_l_day: float, to: Speaker) -> str:
    return to.language.gettext("{volume} a day").format(volume=words.litres(flow_l_day, to.language, to.units))


#: How a bare number of each kind is said.
_FORMS: Final[Mapping[str, Callable[[float, Speaker], str]]] = {
    "litres": lambda value, to: words.litres(value, to.language, to.units),
    "litres_fine": lambda value, to: words.small_volume(value, to.language, to.units),
    "litres_a_day": _a_day,
    "litres_a_minute": lambda value, to: words.flow(value, to.language, to.units),
    "metres": _measure("m"),
    "millimetres": _measure("mm"),
    "millimetres_fine": lambda value, to: words.small_depth(value, to.language, to.units),
    "square_metres": _measure("m²"),
    "volts": lambda value, to: f"{words.number(value, 2, to.language)} V",
    "celsius": _measure("Cel"),
    "celsius_apart": lambda value, to: words.apart(value, "Cel", to.language, to.units),
    "share": lambda value, to: words.percent(value, to.language),
    "chance": lambda value, to: words.chance(value, to.language),
    "number": lambda value, to: words.bare(value, to.language),
    "days": lambda value, to: words.days(int(value), to.language),
    "hours": lambda value, to: words.hours(int(value), to.language),
    "duration": lambda value, to: words.duration(int(value), to.language),
    "instant": lambda value, to: words.clock_time(int(value), to.zone, to.language),
    "month": lambda value, to: words.month(int(value), to.language),
    "day": lambda value, to: words.day(int(value), to.zone, to.language),
    "date": lambda value, to: words.date(int(value), to.zone, to.language),
    "day_after": lambda value, to: words.day_after(int(value), to.zone, to.language),
}
