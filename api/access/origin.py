"""Where a request comes from, as far as it can be known: own page or a stranger's, this machine or the network."""

from __future__ import annotations

import re
from collections.abc import Collection
from ipaddress import ip_address
from typing import Final
from urllib.parse import urlsplit

from starlette.requests import HTTPConnection

from api.problems import ProblemError

LOOPBACK_NAMES: Final = frozenset({"localhost", "127.0.0.1", "[::1]"})
_HOST: Final = re.compile(r"(\[[0-9A-Fa-f:.]{2,45}\]|[A-Za-z0-9](?:[A-Za-z0-9._-]{0,252}))(?::([0-9]{1,5}))?")
_PORTS: Final = {"http": "80", "https": "443"}


def host_of(request: HTTPConnection) -> str | None:
    """The name by which we were called, in small letters and without its port; None: no such name is possible."""
    found = _HOST.fullmatch(request.headers.get("host", ""))
    return None if found is None else found[1].lower()


def called_right(request: HTTPConnection, hosts: Collection[str]) -> bool:
    """Whether the Host header is one, and one of `hosts` if there are any."""
    host = host_of(request)
    return host is not None and (not hosts or host in hosts)


def address_of(request: HTTPConnection) -> str:
    """The client's address; trusted proxies have been looked through by now."""
    return request.client.host if request.client is not None else "unknown"


def _is_safe_link(request: HTTPConnection) -> bool:
    """Whether a password may travel here: over TLS, or without leaving this machine.

    A proxy beside us makes a stranger look local, so the name that was asked for must be local too.
    """
    if request.scope["scheme"] == "https":
        return True
    try:
        local = ip_address(address_of(request)).is_loopback
    except ValueError:
        local = False
    return local and host_of(request) in LOOPBACK_NAMES


def check_link(request: HTTPConnection, allowed: bool) -> None:
    """Refuse to take a password over a network without TLS, unless that is allowed. Raises ProblemError."""
    if allowed or _is_safe_link(request):
        return
    detail = (
        "This connection is not encrypted, and the password would travel readable. Use https, through a reverse proxy "
        "that ULLAGE_PROXIES names, or a tunnel to this machine's loopback address. In a network that nobody else "
        "can listen to, ULLAGE_PASSWORD_OVER_HTTP=on allows it."
    )
    raise ProblemError(403, "not-encrypted", "Not encrypted", detail)


def from_own_page(request: HTTPConnection) -> bool | None:
    """Whether a page of ours sent it, by Origin, else by Referer; None: it bears neither, so no browser's form did.

    A browser says `null` where it hides the origin; that is a stranger's.
    """
    sent = request.headers.get("origin") or request.headers.get("referer")
    if sent is None:
        return None
    try:
        parts = urlsplit(sent)
        theirs = _HOST.fullmatch(parts.netloc)
    except ValueError:
        return False
    ours = _HOST.fullmatch(request.headers.get("host", ""))
    if theirs is None or ours is None or parts.scheme not in _PORTS:
        return False
    usual = _PORTS[parts.scheme]
    return (theirs[1].lower(), theirs[2] or usual) == (ours[1].lower(), ours[2] or usual)
