"""Passwords: which will do, and how they are kept and checked."""

from __future__ import annotations

import threading
import unicodedata
from typing import Final

from argon2 import PasswordHasher, Type
from argon2.exceptions import InvalidHashError, VerificationError

from ingest.saying import Saying, number, say

#: Length alone decides. (NIST SP 800-63B asks for length, and against rules of composition; from memory.)
SHORTEST: Final = 12
LONGEST: Final = 200

#: 19 MiB, two passes, one lane: the least that OWASP's Password Storage Cheat Sheet names (from memory).
_hasher: Final = PasswordHasher(time_cost=2, memory_cost=19 * 1024, parallelism=1, type=Type.ID)
#: A check takes 19 MiB and a core for some 20 ms: no more than so many at once, whoever knocks.
_at_once: Final = threading.BoundedSemaphore(2)
#: Checked for names that nobody has, so that their answer takes as long.
_NOBODYS: Final = "$argon2id$v=19$m=19456,t=2,p=1$c29tZXNhbHRvZm5vYm9keQ$4ApOJTTsgmGeRpfL/8t0d1WeJ1HXTsUyOOsJvyDxKXg"


def trouble_with(password: str) -> Saying | None:
    """What is wrong with a password that somebody chose; None: nothing."""
    length = len(_plain(password))
    if length < SHORTEST:
        return say("at least {count} characters; several words with spaces are fine", count=number(SHORTEST))
    if length > LONGEST:
        return say("at most {count} characters", count=number(LONGEST))
    return None


def hash_of(password: str) -> str:
    """The argon2 string to keep."""
    with _at_once:
        return _hasher.hash(_plain(password))


def fits(password: str, kept: str | None) -> bool:
    """Whether it is the password behind `kept`; None: nobody's, which takes as long and never fits."""
    with _at_once:
        try:
            return _hasher.verify(_NOBODYS if kept is None else kept, _plain(password)[: LONGEST + 1]) and bool(kept)
        except (VerificationError, InvalidHashError):
            return False


def outdated(kept: str) -> bool:
    """Whether it was made with other parameters than today's."""
    return _hasher.check_needs_rehash(kept)


def _plain(password: str) -> str:
    """One form of what looks the same: keyboards differ in how they compose an accent (RFC 8265, 4.2: NFC)."""
    return unicodedata.normalize("NFC", password)
