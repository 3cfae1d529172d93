"""Say a kept sentence: its template in a language, its figures in that language's forms and the site's time."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final
from zoneinfo import ZoneInfo

from api import words
from ingest.instants import to_datetime
from ingest.saying import Figure, Saying


@dataclass(frozen=True)
class Speaker:
    """Speaks for one reader: in whose time zone, and so on. English, litres."""

    zone: ZoneInfo

    def say(self, saying: Saying) -> str:
        """The whole sentence."""
        return saying.text.format(**{name: self._figure(figure) for name, figure in saying.figures.items()})

    def _figure(self, figure: Figure) -> str:
        value = figure.value
        if isinstance(value, list):
            parts = [part if isinstance(part, str) else self.say(part) for part in value]
            return "; ".join(parts) if figure.kind == "said" else words.listed(parts)
        if isinstance(value, str):
            return value
        return _FORMS[figure.kind](value, self.zone)


def _day(time_ms: float, zone: ZoneInfo) -> str:
    local = to_datetime(int(time_ms)).astimezone(zone)
    return f"{local:%a} {local.day} {local:%B}"


#: How a bare number of each kind is said.
_FORMS: Final[Mapping[str, Callable[[float, ZoneInfo], str]]] = {
    "litres": lambda value, _: words.litres(value),
    "litres_a_day": lambda value, _: f"{words.litres(value)} a day",
    "litres_a_minute": lambda value, _: f"{value:,.0f} L/min",
    "metres": lambda value, _: f"{value:.2f} m",
    "millimetres": lambda value, _: f"{value:.0f} mm",
    "volts": lambda value, _: f"{value:.2f} V",
    "celsius": lambda value, _: f"{value:.0f} °C",
    "share": lambda value, _: words.percent(value),
    "chance": lambda value, _: words.chance(value),
    "number": lambda value, _: f"{value:g}",
    "days": lambda value, _: words.count(int(value), "day"),
    "hours": lambda value, _: words.count(int(value), "hour"),
    "duration": lambda value, _: words.duration(int(value)),
    "instant": lambda value, zone: words.clock_time(int(value), zone),
    "day": _day,
}
