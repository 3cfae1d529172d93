"""Where a webhook may go: a public address, or a network that the settings name.

A name is looked up and every address behind it is checked at each delivery, and the connection
goes to the address that was checked: a name that answers differently a moment later changes nothing.
"""

from __future__ import annotations

import asyncio
import ipaddress
import socket
from collections.abc import Sequence
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network
from typing import Final

from ingest.errors import UllageError

Address = IPv4Address | IPv6Address
Network = IPv4Network | IPv6Network

#: An IPv4 address inside an IPv6 one: what a translator makes of it (RFC 6052, section 2.1; RFC 8215).
_TRANSLATED: Final = (ipaddress.IPv6Network("64:ff9b::/96"), ipaddress.IPv6Network("64:ff9b:1::/48"))
#: What the standard library of Python 3.11 does not know yet (RFC 6890, RFC 9637, RFC 9602).
_ALSO_SPECIAL: Final = (
    ipaddress.IPv4Network("192.0.0.0/24"), ipaddress.IPv6Network("3fff::/20"), ipaddress.IPv6Network("5f00::/16")
)  # fmt: skip


class ForbiddenTargetError(UllageError):
    """A webhook points to where it may not go; the text says how to allow it."""


def is_allowed(address: Address, allowed: Sequence[Network] = ()) -> bool:
    """Whether a message may go to an address.

    Public, one receiver: no loopback, private, link-local (which has the metadata services of
    hosts), shared, multicast, reserved or unspecified address (IANA special-purpose registries, as
    the standard library has them), nor an IPv6 address that stands for such an IPv4 one.
    """
    if _within(address, allowed):
        return True
    inner = _inner(address)
    if inner is not None:
        return is_allowed(inner, allowed)
    return (
        address.is_global
        and not _within(address, _ALSO_SPECIAL)
        and not (address.is_multicast or address.is_reserved or address.is_unspecified)
    )


async def checked_address(host: str, port: int, allowed: Sequence[Network] = ()) -> Address:
    """Look a host up: the address to connect to. Raises ForbiddenTargetError, or OSError when there is none.

    One forbidden address among several is enough to refuse: who has a hand in the answer chooses their order.
    """
    loop = asyncio.get_running_loop()
    found = await loop.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    addresses = [ipaddress.ip_address(str(entry[4][0]).partition("%")[0]) for entry in found]
    for address in addresses:
        if not is_allowed(address, allowed):
            raise ForbiddenTargetError(
                f"{host} is {address}, which is not a public address: if it shall get messages, add its network to "
                "allow_networks in the file of recipients"
            )
    return addresses[0]


def _within(address: Address, networks: Sequence[Network]) -> bool:
    return any(address.version == network.version and address in network for network in networks)


def _inner(address: Address) -> IPv4Address | None:
    """The IPv4 address that an IPv6 one stands for."""
    if not isinstance(address, IPv6Address):
        return None
    if any(address in network for network in _TRANSLATED):
        return IPv4Address(int(address) & 0xFFFF_FFFF)
    if address.teredo is not None:
        return address.teredo[1]
    # ::a.b.c.d, deprecated (RFC 4291, section 2.5.5.1)
    compatible = IPv4Address(int(address)) if 1 < int(address) <= 0xFFFF_FFFF else None
    return address.ipv4_mapped or address.sixtofour or compatible
