"""A page as it comes out of a printer, and what can be found on it."""

from __future__ import annotations

import io
from typing import NamedTuple

from playwright.sync_api import Page
from pypdf import PdfReader

#: Operators of PDF that draw a line to a place and a curve: ISO 32000-1, table 59.
_STROKES = {b"l", b"c", b"v", b"y"}


class Paper(NamedTuple):
    """sheets: of A4; text: of all of them, in single spaces; strokes: lines and curves that are drawn."""

    sheets: int
    text: str
    strokes: int


def printed(page: Page) -> Paper:
    """Print a page to PDF as its reader would, without colours behind it."""
    reader = PdfReader(io.BytesIO(page.pdf(format="A4")))
    text = " ".join(" ".join(sheet.extract_text().split()) for sheet in reader.pages)
    strokes = 0
    for sheet in reader.pages:
        contents = sheet.get_contents()
        assert contents is not None
        strokes += sum(operator in _STROKES for _, operator in contents.operations)
    return Paper(len(reader.pages), text, strokes)
