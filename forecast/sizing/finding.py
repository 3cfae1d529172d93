"""One thing that a design check says in words."""

from __future__ import annotations

from typing import Final, Literal, NamedTuple

from ingest.saying import Saying

Kind = Literal[
    "result",  # what the supply gives
    "warning",  # a promise that is unsafe, or a size that is wrong
    "unchecked",  # what could not be looked at, and what is lacking for it
    "basis",  # what the figures rest on
    "caution",  # before anybody relies on them
]
#: The order in which people should read them.
KINDS: Final[tuple[Kind, ...]] = ("result", "warning", "unchecked", "basis", "caution")


class Finding(NamedTuple):
    """kind: how to take it; topic: what it is about, a word for programs; says: the sentence."""

    kind: Kind
    topic: str
    says: Saying


def ordered(findings: list[Finding]) -> list[Finding]:
    """By kind, else as they came."""
    return sorted(findings, key=lambda finding: KINDS.index(finding.kind))
