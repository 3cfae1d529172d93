"""Who reads: in which language and which units, chosen by `?lang=` and `?units=`, then cookie, then the browser."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal, cast, get_args

from api.languages.language import ENGLISH, LANGUAGES, Language, language

Units = Literal["litre", "us-gallon"]
UNITS: Final[tuple[Units, ...]] = get_args(Units)

#: Names of the query parameters, and of the cookies that remember them.
LANGUAGE_KEY: Final = "lang"
UNITS_KEY: Final = "units"


@dataclass(frozen=True)
class Reader:
    """How somebody wants things said."""

    language: Language = ENGLISH
    units: Units = "litre"


def reader_of(query: Mapping[str, str], cookies: Mapping[str, str], accept_language: str) -> Reader:
    """The reader of a request. What is not understood counts as not said."""
    wished = _accepted(accept_language)
    code = next(
        (said for said in (query.get(LANGUAGE_KEY), cookies.get(LANGUAGE_KEY)) if said in LANGUAGES),
        next((code for code, _ in wished), ENGLISH.code),
    )
    country = next((country for wish, country in wished if wish == code), "")
    units = next((said for said in (query.get(UNITS_KEY), cookies.get(UNITS_KEY)) if said in UNITS), "litre")
    return Reader(language(code, country), cast(Units, units))


def choices(query: Mapping[str, str]) -> dict[str, str]:
    """What a request asks to be remembered: the cookies to set."""
    known = {LANGUAGE_KEY: tuple(LANGUAGES), UNITS_KEY: UNITS}
    return {key: query[key] for key, values in known.items() if query.get(key) in values}


def _accepted(header: str) -> list[tuple[str, str]]:
    """Languages that we have and their countries, the best liked first (RFC 9110, section 12.5.4)."""
    liked = []
    for part in header[:500].split(","):
        tag, _, parameters = part.partition(";")
        code, _, country = tag.strip().partition("-")
        if code.lower() in LANGUAGES and (weight := _weight(parameters)) > 0:
            liked.append((weight, code.lower(), country.upper() if len(country) == 2 else ""))
    liked.sort(key=lambda entry: -entry[0])
    return [(code, country) for _, code, country in liked]


def _weight(parameters: str) -> float:
    """`q=0.8` as a number; 1 where nothing is said, 0 for what is no number."""
    name, _, value = parameters.strip().partition("=")
    if name.strip().lower() != "q":
        return 1.0
    try:
        return float(value)
    except ValueError:
        return 0.0
