"""What somebody may do, and who is asking."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, get_args

ScopeName = Literal["read", "acknowledge", "configure"]

READ: Final[ScopeName] = "read"
#: What somebody on duty does: acknowledge, shelve, annotate, write the log. Includes reading.
ACKNOWLEDGE: Final[ScopeName] = "acknowledge"
#: Tokens, people, and whatever else changes the service. Includes all of it.
CONFIGURE: Final[ScopeName] = "configure"

#: From the least to the most.
SCOPES: Final[tuple[ScopeName, ...]] = get_args(ScopeName)


def scope_of(kept: str) -> ScopeName:
    """A scope as the store has it; one that this version does not know lets somebody read and no more."""
    return next((scope for scope in SCOPES if scope == kept), READ)


@dataclass(frozen=True)
class Caller:
    """Who asks.

    name     who is written down: the person's name, or `token NAME`
    scope    what they may do
    key      tells this caller from any other, for limits of rate
    session  digest of the browser session; None: a token, or the demonstration
    form     what a form of this session must carry; empty: nothing, it is no session
    """

    name: str
    scope: ScopeName
    key: str
    session: bytes | None = None
    form: str = ""

    def may(self, scope: ScopeName) -> bool:
        """Whether what is asked is within reach."""
        return SCOPES.index(self.scope) >= SCOPES.index(scope)


#: Whoever looks at the demonstration: it is reached from its own machine alone.
VISITOR: Final = Caller("visitor", CONFIGURE, "demonstration")
