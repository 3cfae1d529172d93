"""A language: its catalogue, and the forms of its numbers and dates.

The English sentence is the key. A sentence without a translation is said in English, and a test
sees to it that none is without. The catalogues are read as they are, so there is nothing to build.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from gettext import NullTranslations
from io import BytesIO
from pathlib import Path
from typing import Final

from babel import Locale, UnknownLocaleError
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po
from babel.support import Translations

HERE: Final = Path(__file__).parent
#: Code of each language → its own name for itself.
LANGUAGES: Final = {"en": "English", "es": "Español"}
#: Whose forms are used when the reader names no country.
_USUAL: Final = {"en": "GB", "es": "ES"}


@dataclass(frozen=True)
class Language:
    """One language as spoken in one country."""

    code: str
    locale: Locale
    catalogue: NullTranslations

    def gettext(self, text: str) -> str:
        """The translation of an English text; the text itself where there is none."""
        return self.catalogue.gettext(text) if text else text

    def ngettext(self, one: str, many: str, count: int) -> str:
        """The translation that fits a count."""
        return self.catalogue.ngettext(one, many, count)


@lru_cache(maxsize=64)
def language(code: str, country: str = "") -> Language:
    """A language of LANGUAGES; a country unknown to Babel counts as not given. Raises KeyError on another language."""
    usual = _USUAL[code]
    try:
        locale = Locale.parse(f"{code}_{country or usual}")
    except (UnknownLocaleError, ValueError):
        locale = Locale.parse(f"{code}_{usual}")
    return Language(code, locale, _catalogue(code))


@lru_cache
def _catalogue(code: str) -> NullTranslations:
    """All rooms' files of a language as one."""
    files = sorted((HERE / code).glob("*.po"))
    if not files:
        return NullTranslations()
    whole = Translations()
    for path in files:
        with path.open("rb") as text:
            compiled = BytesIO()
            write_mo(compiled, read_po(text, locale=code, abort_invalid=True))
        compiled.seek(0)
        whole.merge(Translations(compiled))
    return whole


ENGLISH: Final = language("en")
