"""Times, ages and figures as a person says them, in a language's forms."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from typing import Final
from zoneinfo import ZoneInfo

from babel.dates import format_datetime, get_month_names
from babel.lists import format_list
from babel.numbers import format_decimal

from api.languages.language import ENGLISH, Language
from api.languages.reader import Units
from api.measures import difference, shown, symbol
from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS, to_datetime

#: Kept inside → decimals as a person says them, in each choice of units; what a sensor gives is finer.
_SAID: Final[dict[str, dict[Units, int]]] = {
    "m": {"litre": 2, "us-gallon": 1},
    "mm": {"litre": 0, "us-gallon": 2},
    "Cel": {"litre": 0, "us-gallon": 0},
    "m²": {"litre": 0, "us-gallon": 0},
}


def clock_time(time_ms: int, zone: ZoneInfo, language: Language = ENGLISH) -> str:
    """`Wed 25 Nov, 12:04`, local to the site."""
    return format_datetime(to_datetime(time_ms), "EEE d MMM, HH:mm", tzinfo=zone, locale=language.locale)


def day(time_ms: int, zone: ZoneInfo, language: Language = ENGLISH) -> str:
    """`Friday 4 December`, `viernes 4 de diciembre`: the local day of an instant."""
    pattern = "EEEE d 'de' MMMM" if language.code == "es" else "EEEE d MMMM"
    return format_datetime(to_datetime(time_ms), pattern, tzinfo=zone, locale=language.locale)


def date(time_ms: int, zone: ZoneInfo, language: Language = ENGLISH) -> str:
    """`4 December 2026`, `4 de diciembre de 2026`: the local day of an instant, of whatever year."""
    pattern = "d 'de' MMMM 'de' y" if language.code == "es" else "d MMMM y"
    return format_datetime(to_datetime(time_ms), pattern, tzinfo=zone, locale=language.locale)


def month(of_year: int, language: Language = ENGLISH) -> str:
    """`December`, `diciembre`"""
    return str(get_month_names("wide", "stand-alone", language.locale)[of_year])


def day_after(time_ms: int, zone: ZoneInfo, language: Language = ENGLISH) -> str:
    """The local day after the one that holds the instant: what happens then happens before this day."""
    local = to_datetime(time_ms).astimezone(zone) + timedelta(days=1)
    return day(round(local.timestamp() * 1000), zone, language)


def duration(span_ms: int, language: Language = ENGLISH) -> str:
    """A length of time in its one fitting unit, rounded down: `35 minutes`, `26 hours`, `3 days`."""
    if span_ms < MINUTE_MS:
        return language.gettext("less than a minute")
    if span_ms < 2 * HOUR_MS:
        return minutes(span_ms // MINUTE_MS, language)
    if span_ms < 2 * DAY_MS:
        return hours(span_ms // HOUR_MS, language)
    return days(span_ms // DAY_MS, language)


def minutes(count: int, language: Language = ENGLISH) -> str:
    """`35 minutes`"""
    return language.ngettext("{count} minute", "{count} minutes", count).format(count=number(count, 0, language))


def hours(count: int, language: Language = ENGLISH) -> str:
    """`1 hour`, `26 hours`"""
    return language.ngettext("{count} hour", "{count} hours", count).format(count=number(count, 0, language))


def days(count: int, language: Language = ENGLISH) -> str:
    """`1 day`, `2 days`"""
    return language.ngettext("{count} day", "{count} days", count).format(count=number(count, 0, language))


def number(value: float, decimals: int, language: Language = ENGLISH) -> str:
    """`2,130`, `12.62`: exactly so many decimals."""
    # Spanish sets off thousands from five figures on (Real Academia Española, Ortografía, 2010; from memory).
    if abs(value) < 0.5 * 10**-decimals:
        value = 0.0  # never "-0.0"
    whole = "0" if language.code == "es" and abs(value) < 9_999.5 else "#,##0"
    return format_decimal(value, whole + ("." + "0" * decimals if decimals else ""), language.locale)


def bare(value: float, language: Language = ENGLISH) -> str:
    """A number with as many decimals as it has, three at most."""
    return number(value, next((n for n in range(3) if round(value, n) == round(value, 3)), 3), language)


def litres(volume_l: float, language: Language = ENGLISH, units: Units = "litre") -> str:
    """A volume to the figures that a level sensor supports: `2,130 L`, `84 L`, `563 gal`, `3.4 gal`."""
    volume = shown(volume_l, "L", units)
    figure = _whole(volume, language) if units == "litre" or abs(volume) >= 9.95 else bare(round(volume, 1), language)
    return f"{figure} {symbol('L', units, language)}"


def flow(flow_l_min: float, language: Language = ENGLISH, units: Units = "litre") -> str:
    """`11 L/min`, `3.2 L/min`, `0.3 gal/min`, `0.04 gal/min`: what drips is not nothing."""
    value = shown(flow_l_min, "L/min", units)
    if abs(value) >= 9.95:
        figure = _whole(value, language)
    else:
        figure = bare(round(value, 1 if abs(value) >= 0.095 else 2), language)
    return f"{figure} {symbol('L/min', units, language)}"


def measure(value: float, inside: str, language: Language = ENGLISH, units: Units = "litre") -> str:
    """A level, a depth of rain, a temperature or an area as a person says it: `1.35 m`, `53.1 in`, `0.63 in`."""
    return f"{number(shown(value, inside, units), _SAID[inside][units], language)} {symbol(inside, units, language)}"


def small_depth(depth_mm: float, language: Language = ENGLISH, units: Units = "litre") -> str:
    """A depth finer than rain is said: `0.41 mm`, `0.016 in`."""
    decimals = 2 if units == "litre" else 3
    return f"{bare(round(shown(depth_mm, 'mm', units), decimals), language)} {symbol('mm', units, language)}"


def small_volume(volume_l: float, language: Language = ENGLISH, units: Units = "litre") -> str:
    """An amount finer than a tank's is said: `20 L`, `0.25 L`, `5.3 gal`."""
    volume = shown(volume_l, "L", units)
    return f"{bare(round(volume, 1 if abs(volume) >= 1 else 2), language)} {symbol('L', units, language)}"


def apart(value: float, inside: str, language: Language = ENGLISH, units: Units = "litre") -> str:
    """The same of how far two values are apart."""
    decimals_said = _SAID[inside][units]
    return f"{number(difference(value, inside, units), decimals_said, language)} {symbol(inside, units, language)}"


def _whole(volume: float, language: Language) -> str:
    step = 10 if abs(volume) >= 1_000 else 1
    return number(round(volume / step) * step, 0, language)


def percent(share: float, language: Language = ENGLISH) -> str:
    """`59 %`, rounded to the nearest."""
    return f"{number(round(100 * share), 0, language)} %"


def chance(probability: float, language: Language = ENGLISH) -> str:
    """`less than one chance in a hundred`, `about 4 chances in 100`, `about 7 chances in 10`."""
    if probability < 0.01:
        return language.gettext("less than one chance in a hundred")
    if probability > 0.99:
        return language.gettext("nearly certain")
    if probability < 0.095:
        few = round(100 * probability)
        return language.ngettext("about {count} chance in 100", "about {count} chances in 100", few).format(count=few)
    tenths = round(10 * probability)
    if tenths == 10:
        return language.gettext("more than 9 chances in 10")
    return language.ngettext("about {count} chance in 10", "about {count} chances in 10", tenths).format(count=tenths)


def listed(names: Sequence[str], language: Language = ENGLISH) -> str:
    """`level`, `level and battery`, `level, battery and rain-total`."""
    return format_list(names, locale=language.locale)
