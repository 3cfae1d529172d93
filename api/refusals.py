"""What went wrong, in the words of a person who filled in a form rather than those of a protocol. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final, NamedTuple

from ingest.saying import Saying, number, say, template


class InWords(NamedTuple):
    """A title and what to do, to be translated where they are shown."""

    title: str
    detail: str


#: Of the errors that framework and service answer with a bare status.
_BY_STATUS: Final = {
    404: InWords(template("Nothing here"), template("There is nothing at this address.")),
    405: InWords(
        template("This is no page"),
        template("Only a form of our pages sends something to this address: open the page itself."),
    ),
    408: InWords(
        template("It took too long"),
        template("What you sent did not come to its end in time: try again, perhaps where the link is better."),
    ),
    413: InWords(template("Too large"), template("What you sent is larger than this service takes.")),
    500: InWords(
        template("A mistake of ours"),
        template(
            "Try again. If it comes back, tell whoever looks after this service: its log has it, with the time of now."
        ),
    ),
}
_AS_OFFERED: Final = say("one of the choices that the page offers")
_A_NUMBER: Final = say("a number")


def in_words(status: int) -> InWords | None:
    """What a person reads of a bare status; None: it has words of its own."""
    return _BY_STATUS.get(status)


def expected(fault: Mapping[str, Any]) -> Saying:
    """What was expected of a field, from what the validation of a form says."""
    kind, limits = str(fault["type"]), fault.get("ctx", {})
    if kind == "missing":
        return say("every field filled in")
    if kind == "string_too_long":
        return say("at most {count} characters", count=number(limits["max_length"]))
    if kind.startswith(("int_", "float_", "greater_", "less_")):
        return _A_NUMBER if kind.endswith(("_parsing", "_type")) else _AS_OFFERED
    if kind in ("literal_error", "enum", "bool_parsing"):
        return _AS_OFFERED
    return say("what the page asks for")
