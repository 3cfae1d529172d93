"""A sentence kept with its figures, so that it can be said later in any language and any unit.

What is written down today (why an alarm was raised, what a forecast does not know) is read tomorrow
by somebody else. So the sentence is kept as an English template, which is also the key of its
translations, and the figures as bare numbers of a stated kind; `api.speech` puts the two together.
"""

from __future__ import annotations

from collections.abc import Sequence
from string import Formatter
from typing import Literal

import msgspec

Kind = Literal[
    "litres",  # [L]
    "litres_fine",  # a small amount, to tenths [L]
    "litres_a_day",  # [L/d]
    "litres_a_minute",  # [L/min]
    "metres",  # [m]
    "millimetres",  # [mm]
    "volts",  # [V]
    "millimetres_fine",  # a small depth, to hundredths [mm]
    "square_metres",  # [m²]
    "celsius",  # [°C]
    "celsius_apart",  # how far two temperatures are apart [°C]
    "share",  # 0 to 1, said in percent
    "chance",  # a probability, 0 to 1
    "number",  # a bare number
    "days",  # a whole number of days
    "hours",  # a whole number of hours
    "duration",  # a length of time [ms]
    "instant",  # day and time of day, UTC since 1970 [ms]
    "day",  # the day alone [ms]
    "date",  # the day with its year [ms]
    "day_after",  # the day after that of the instant: what happens by then happens before this day [ms]
    "month",  # a month of the year, 1 to 12
    "name",  # an id or a word that no language changes
    "names",  # several of them
    "said",  # sentences in a sentence
]


class Figure(msgspec.Struct, frozen=True, array_like=True):
    """One value and how it is to be said; the unit is that of its kind."""

    kind: Kind
    value: float | str | list[Saying | str]


class Saying(msgspec.Struct, frozen=True):
    """A template with `{name}` for each of its figures.

    Raises ValueError when a placeholder has no figure, or a figure no placeholder: a sentence
    that is wrong should fail where it is made, not at night where it is read.
    """

    text: str
    figures: dict[str, Figure] = {}

    def __post_init__(self) -> None:
        wanted = placeholders(self.text)
        if wanted != self.figures.keys():
            raise ValueError(f"{self.text!r} has figures {sorted(self.figures)}, its placeholders are {sorted(wanted)}")


def placeholders(text: str) -> set[str]:
    """Names of the figures that a template wants."""
    return {name for _, name, _, _ in Formatter().parse(text) if name is not None}


#: A kept sentence. Documents and rows from before sentences were kept with their figures hold plain English.
Sentence = Saying | str


def say(text: str, **figures: Figure) -> Saying:
    """`say("Tank {tank} holds {volume}.", tank=name("main"), volume=litres(2130))`"""
    return Saying(text, figures)


def template(text: str) -> str:
    """Marks a text that is given to `say` elsewhere, so that whoever looks for texts to translate finds it."""
    return text


def litres(volume_l: float) -> Figure:
    return Figure("litres", float(volume_l))


def litres_fine(volume_l: float) -> Figure:
    """A small amount, finer than a tank's is said."""
    return Figure("litres_fine", float(volume_l))


def litres_a_day(flow_l_day: float) -> Figure:
    return Figure("litres_a_day", float(flow_l_day))


def litres_a_minute(flow_l_min: float) -> Figure:
    return Figure("litres_a_minute", float(flow_l_min))


def metres(length_m: float) -> Figure:
    return Figure("metres", float(length_m))


def millimetres(depth_mm: float) -> Figure:
    return Figure("millimetres", float(depth_mm))


def millimetres_fine(depth_mm: float) -> Figure:
    """A small depth, finer than rain is said."""
    return Figure("millimetres_fine", float(depth_mm))


def volts(voltage_v: float) -> Figure:
    return Figure("volts", float(voltage_v))


def square_metres(area_m2: float) -> Figure:
    return Figure("square_metres", float(area_m2))


def celsius(temperature_cel: float) -> Figure:
    return Figure("celsius", float(temperature_cel))


def celsius_apart(difference_cel: float) -> Figure:
    return Figure("celsius_apart", float(difference_cel))


def share(of_one: float) -> Figure:
    """A share of a whole, 0 to 1."""
    return Figure("share", float(of_one))


def chance(probability: float) -> Figure:
    return Figure("chance", float(probability))


def number(value: float) -> Figure:
    return Figure("number", float(value))


def days(whole: int) -> Figure:
    return Figure("days", float(whole))


def hours(whole: int) -> Figure:
    return Figure("hours", float(whole))


def duration(span_ms: int) -> Figure:
    return Figure("duration", float(span_ms))


def instant(time_ms: int) -> Figure:
    return Figure("instant", float(time_ms))


def day(time_ms: int) -> Figure:
    return Figure("day", float(time_ms))


def date(time_ms: int) -> Figure:
    return Figure("date", float(time_ms))


def day_after(time_ms: int) -> Figure:
    return Figure("day_after", float(time_ms))


def month(of_year: int) -> Figure:
    return Figure("month", float(of_year))


def name(word: str) -> Figure:
    return Figure("name", word)


def names(words: Sequence[Sentence]) -> Figure:
    return Figure("names", list(words))


def said(sayings: Sequence[Sentence]) -> Figure:
    return Figure("said", list(sayings))
