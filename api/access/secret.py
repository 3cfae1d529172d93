"""Random secrets: made here, shown once, kept as digests only."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from typing import Final

#: In front of a token, so that people and scanners know one when they see one.
MARK: Final = "ull_"
_TOKEN_BYTES: Final = 32
#: Without letters and figures that are taken for each other. 26 of them are 128.8 bits.
_CODE_LETTERS: Final = "abcdefghjkmnpqrstuvwxyz23456789"
_CODE_GROUPS: Final = (5, 5, 5, 5, 6)


def new_token() -> str:
    """A token of 256 bits."""
    return MARK + secrets.token_urlsafe(_TOKEN_BYTES)


def new_session() -> str:
    """What the cookie holds: 256 bits."""
    return secrets.token_urlsafe(_TOKEN_BYTES)


def new_setup_code() -> str:
    """A code to be read from one screen and typed into another: 128.8 bits in groups."""
    return "-".join("".join(secrets.choice(_CODE_LETTERS) for _ in range(size)) for size in _CODE_GROUPS)


def digest_of(secret: str) -> bytes:
    """SHA-256: enough for secrets that are random and long, which passwords are not."""
    return hashlib.sha256(secret.encode("utf-8", "surrogatepass")).digest()


def code_digest(code: str) -> bytes:
    """Of a setup code as somebody typed it."""
    return digest_of("".join(code.lower().split()).replace("-", ""))


def form_token(session: str) -> str:
    """What the forms of a session carry. It follows from the cookie's secret, which only its owner has."""
    return hmac.new(session.encode(), b"ullage form", hashlib.sha256).hexdigest()


def same(left: str, right: str) -> bool:
    """Whether two secrets are equal, in a time that does not tell where they differ."""
    return hmac.compare_digest(left.encode("utf-8", "surrogatepass"), right.encode("utf-8", "surrogatepass"))
