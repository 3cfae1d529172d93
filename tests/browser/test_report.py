"""The monthly report on paper: one page of A4, with its pictures, in both languages."""

from __future__ import annotations

import io

import pytest
from pypdf import PdfReader

from tests.browser.conftest import OpenPage
from tests.browser.states import STATES, Stage

REPORT = next(state for state in STATES if state.name == "report")


@pytest.mark.parametrize(
    ("language", "words"),
    [
        ("en", ("October 2026", "The shortfall by cause", "Leak or unmetered", "designed")),
        ("es", ("octubre 2026", "La falta, por causas", "Fuga o consumo sin contador", "según proyecto")),
    ],
)
def test_the_report_prints_on_one_page(
    language: str, words: tuple[str, ...], states: Stage, open_page: OpenPage
) -> None:
    page = open_page()
    page.goto(f"{states.show(REPORT)}?lang={language}")
    assert page.locator("figure svg[role=img]").count() == 2
    printed = PdfReader(io.BytesIO(page.pdf(format="A4", print_background=True)))
    assert len(printed.pages) == 1
    text = " ".join(printed.pages[0].extract_text().split())
    for word in words:
        assert word in text
    # Links and forms are of no use on paper; the cautions are.
    assert "US gal" not in text
    assert ("not for drinking" if language == "en" else "no se debe beber") in text
