"""One number out of any JSON document, by JSON Pointer (RFC 6901)."""

from __future__ import annotations

import re
from typing import Any, Final

import msgspec

from ingest.errors import PayloadError

_INDEX: Final = re.compile(r"0|[1-9][0-9]{0,8}")
_decoder = msgspec.json.Decoder()


def decode_json(payload: bytes) -> Any:
    """Any JSON document. Raises PayloadError."""
    try:
        return _decoder.decode(payload)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError) as error:
        raise PayloadError(f"not JSON ({str(error)[:200]}): send one JSON document in UTF-8") from None


def parse(pointer: str) -> tuple[str, ...]:
    """The steps of a pointer: `/flow/a~1b` → ("flow", "a/b"); the empty pointer is the whole document."""
    # First ~1, then ~0, so that ~01 becomes ~1 and not / (section 4).
    return tuple(step.replace("~1", "/").replace("~0", "~") for step in pointer.split("/")[1:])


def number_at(document: Any, steps: tuple[str, ...], *, truth: bool = False) -> float:
    """The number that the steps lead to; true and false count as 1 and 0 only if `truth`. Raises PayloadError."""
    here = document
    for count, step in enumerate(steps, 1):
        try:
            here = here[int(step)] if isinstance(here, list) and _INDEX.fullmatch(step) else here[step]
        except (KeyError, IndexError, TypeError):
            raise PayloadError(f"nothing at {_shown(steps[:count])}: correct the pointer in the site file") from None
    if isinstance(here, bool) and truth:
        return float(here)
    if isinstance(here, bool) or not isinstance(here, int | float):
        found = "null" if here is None else type(here).__name__
        raise PayloadError(f"{found} at {_shown(steps)} where a number is due: nothing is stored in its place")
    try:
        return float(here)
    except OverflowError:
        raise PayloadError(f"the number at {_shown(steps)} is too large") from None


def _shown(steps: tuple[str, ...]) -> str:
    return repr("".join("/" + step.replace("~", "~0").replace("/", "~1") for step in steps))
