"""What stands wrong in a file, in the words of somebody who writes it rather than those of the checking library."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from pydantic_core import ErrorDetails

#: What each pattern of a text asks for.
PATTERNS: Final[Mapping[str, str]] = {
    r"^[a-z0-9][a-z0-9-]{0,39}$": "small letters, digits and hyphens, at most 40, such as skerrow-head",
    r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,39}$": "letters, digits and _ . -, at most 40, such as inflow-total",
    r"^[^+#\x00]+$": "a whole topic, without + and #",
    r"^(/([^~/]|~[01])*)*$": "an RFC 6901 pointer, such as /flow/litres",
    r"^([01][0-9]|2[0-3]):[0-5][0-9]$": "a time of day, such as 22:00",
    r"^[^\x00-\x1f\x7f]+$": "one line of text",
}
_KINDS: Final[Mapping[str, str]] = {
    "int_type": "whole number",
    "int_from_float": "whole number",
    "float_type": "number",
    "finite_number": "finite number",
    "string_type": "text in quotes",
    "bool_type": "true or false",
    "bool_parsing": "true or false",
    "list_type": "list, such as [4, 5, 6]",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "timezone_aware": "a time with its offset, such as 2026-04-12T10:00:00+01:00",
}


def expected(detail: ErrorDetails) -> str:
    """What was expected instead."""
    kind, context = detail["type"], detail.get("ctx", {})
    if kind in _KINDS:
        return _KINDS[kind]
    if kind.startswith("datetime"):
        return _KINDS["timezone_aware"]
    if kind == "string_pattern_mismatch":
        return PATTERNS[context["pattern"]]
    if kind == "too_short":
        return f"at least {context['min_length']} of them, not {context['actual_length']}"
    if kind == "too_long":
        return f"at most {context['max_length']} of them, not {context['actual_length']}"
    return detail["msg"].removeprefix("Value error, ").removeprefix("Input should be ").removeprefix("a valid ")
