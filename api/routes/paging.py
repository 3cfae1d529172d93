"""Pages of a long answer: at most so many entries, and a cursor for the rest.

A cursor is opaque to whoever holds it. It names the question it continues, so that one of another
question is refused, and it can ask for nothing that the question itself could not.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
from typing import Annotated, Final

from fastapi import Query
from pydantic import BeforeValidator

from api.problems import refused

_LONGEST: Final = 120
_WRONG: Final = "the `next` of an earlier answer to the same question, or nothing"


def _whole(given: object) -> object:
    """Only figures: not `5.0`, `1e3`, `+5`, `5_0`, nor figures of other scripts."""
    if isinstance(given, str) and not (given.isascii() and given.isdigit()):
        raise ValueError("a whole number, written in figures")
    return given


def _truth(given: object) -> object:
    if isinstance(given, str) and given not in ("true", "false"):
        raise ValueError("true or false")
    return given


#: A whole number in a query; the description that is given names its unit.
Whole = Annotated[int, BeforeValidator(_whole)]
#: `true` or `false` in a query.
Truth = Annotated[bool, BeforeValidator(_truth)]

CursorQuery = Annotated[
    str | None,
    Query(
        max_length=_LONGEST,
        description="The `next` of an earlier answer, for what comes after it; absent: from the beginning.",
    ),
]


def cursor_of(question: str, *marks: int) -> str:
    """An opaque cursor. question: whatever makes it another question, such as site and sensor."""
    return base64.urlsafe_b64encode(",".join((_digest(question), *map(str, marks))).encode()).decode().rstrip("=")


def marks_in(cursor: str, question: str, count: int) -> list[int]:
    """The marks that `cursor_of` put in for this question. Raises ProblemError."""
    try:
        digest, *marks = base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)).decode("ascii").split(",")
        numbers = [int(mark) for mark in marks]
    except (ValueError, binascii.Error):
        raise refused(("query.cursor", _WRONG)) from None
    if digest != _digest(question) or len(numbers) != count or any(abs(number) >= 2**62 for number in numbers):
        raise refused(("query.cursor", _WRONG))
    return numbers


def _digest(question: str) -> str:
    return hashlib.sha256(question.encode()).hexdigest()[:8]
