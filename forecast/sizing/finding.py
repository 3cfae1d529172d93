"""One thing that a design check says in words."""

from __future__ import annotations

from typing import Final, Literal, NamedTuple

from ingest.saying import Saying

Kind = Literal[
    "promise",  # what the supply gives, in short
    "warning",  # a promise that is unsafe, or a size that is wrong
    "result",  # what else was found
    "unchecked",  # what could not be looked at, and what is lacking for it
    "basis",  # what the figures rest on
    "caution",  # before anybody relies on them
]
#: The order in which people should read them.
KINDS: Final[tuple[Kind, ...]] = ("promise", "warning", "result", "unchecked", "basis", "caution")


class Finding(NamedTuple):
    """kind: how to take it; topic: what it is about, a word for programs; says: the sentence."""

    kind: Kind
    topic: str
    says: Saying


def ordered(findings: list[Finding]) -> list[Finding]:
    """By kind, else as they came."""
    return sorted(findings, key=lambda finding: KINDS.index(finding.kind))
