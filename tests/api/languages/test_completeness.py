"""Every text has its Spanish, with the same figures in it."""

from __future__ import annotations

from collections import defaultdict
from pathlib import Path
from string import Formatter

import pytest
from babel.messages.catalog import Message
from babel.messages.pofile import read_po

from api.languages.language import HERE
from tests.api.languages import words
from tests.api.languages.words import Text

#: Templates that still show English words to everybody. It only ever gets shorter.
NOT_YET_MARKED: set[str] = set()
#: Files and folders whose texts lack Spanish so far. It only ever gets shorter.
NOT_YET_TRANSLATED: set[str] = set()
#: What is the same in every language.
PROPER = {"Ullage"}


def messages() -> dict[tuple[str, ...], dict[str, Message]]:
    """The forms of each text → file → its entry."""
    found: dict[tuple[str, ...], dict[str, Message]] = defaultdict(dict)
    for path in sorted((HERE / "es").glob("*.po")):
        with path.open("rb") as file:
            for message in read_po(file, locale="es", abort_invalid=True):
                if message.id:
                    found[_forms(message.id)][path.name] = message
    return found


def _forms(text: str | list[str] | tuple[str, ...] | None) -> tuple[str, ...]:
    return (text,) if isinstance(text, str) else tuple(text or ())


def figures(text: str) -> set[str]:
    return {name for _, name, _, _ in Formatter().parse(text) if name is not None}


SPANISH = messages()


def used() -> list[Text]:
    found = [text for path in words.sources() for text in words.texts(path)]
    return [*found, *words.in_alarm_types()]


def test_every_text_has_its_spanish() -> None:
    lacking = [text for text in used() if not _translated(text) and not _waits(text)]
    assert not lacking, "no Spanish yet; add an entry for each to the file named last:\n" + "\n".join(
        map(str, dict.fromkeys(lacking))
    )


def test_no_file_waits_that_need_not() -> None:
    lacking = [text.path for text in used() if not _translated(text)]
    assert all(any(path.startswith(waiting) for path in lacking) for waiting in NOT_YET_TRANSLATED)
    assert {path.name for path in words.templates() if _bare(path)} >= NOT_YET_MARKED


def _waits(text: Text) -> bool:
    return text.path.startswith(tuple(NOT_YET_TRANSLATED))


def _translated(text: Text) -> bool:
    return any(all(_forms(message.string)) and not message.fuzzy for message in SPANISH.get(text.forms, {}).values())


def _bare(path: Path) -> list[str]:
    return [found for found in words.bare_words(path) if found.strip() not in PROPER]


@pytest.mark.parametrize("path", words.templates(), ids=lambda path: path.name)
def test_a_template_shows_no_word_of_its_own(path: Path) -> None:
    if path.name not in NOT_YET_MARKED:
        assert not _bare(path), 'put these into _("…")'


def test_a_translation_has_the_figures_of_its_text() -> None:
    for forms, entries in SPANISH.items():
        for file, message in entries.items():
            for form in _forms(message.string):
                assert figures(form) == figures(forms[-1]), f"{file}: {form!r} beside {forms[-1]!r}"


def test_two_files_do_not_translate_one_text_differently() -> None:
    for forms, entries in SPANISH.items():
        assert len({_forms(message.string) for message in entries.values()}) == 1, f"{forms} in {sorted(entries)}"


def test_no_translation_is_left_over() -> None:
    known = {text.forms for text in used()}
    waiting = {text.home.rpartition("/")[2] for text in used() if _waits(text)}
    for forms, entries in SPANISH.items():
        assert forms in known or set(entries) <= waiting, (
            f"nothing says {forms} any more; take it out of {sorted(entries)}"
        )


@pytest.mark.parametrize(
    ("other", "ours"),
    [
        ("pronóstic", "previsión"),
        ("primera agua", "primeras aguas"),
        ("primera descarga", "separador de primeras aguas"),
        ("ficha", "archivo del sitio"),
        ("apunt", "anotar"),
        ("por vist", "confirmar"),
        ("anticuad", "antigua"),
    ],
)
def test_a_thing_has_one_name_in_spanish(other: str, ours: str) -> None:
    said = [message.string for found in SPANISH.values() for message in found.values()]
    texts = [text for strings in said for text in _forms(strings)]
    assert [text for text in texts if other in text.lower()] == [], f"say {ours}"
