"""Webhooks go to public addresses, and elsewhere only where the file of recipients allows it."""

from __future__ import annotations

import asyncio
import ipaddress
import socket
from typing import Any

import pytest

from api.notify.channels import DeliveryFailed
from api.notify.message import Message
from api.notify.recipients import Recipients
from api.notify.targets import ForbiddenTargetError, checked_address, is_allowed
from api.notify.webhook import WebhookChannel
from tests.api.fakes import NOW_MS
from tests.api.notify.conftest import program
from tests.api.notify.hook import listening

MESSAGE = Message("msg_1", "s", "t", {"data": {}})

# IANA IPv4 and IPv6 Special-Purpose Address Registries; RFC 4193, 3927, 6598, 6052, 8215, 4380, 3056.
# The metadata services of hosts (169.254.169.254, fd00:ec2::254, 100.100.100.200): from memory.
FORBIDDEN = [
    "127.0.0.1", "127.255.255.254", "0.0.0.0", "0.1.2.3", "10.0.0.1", "172.16.0.1", "172.31.255.255", "192.168.1.1",
    "169.254.169.254", "169.254.0.1", "100.64.0.1", "100.100.100.200", "192.0.2.1", "198.18.0.1",
    "198.51.100.7", "192.0.0.8", "3fff::1", "5f00::1", "203.0.113.9", "224.0.0.1", "239.255.255.250",
    "240.0.0.1", "255.255.255.255",
    "::1", "::", "fe80::1", "fc00::1", "fd00:ec2::254", "ff02::1", "ff0e::1", "2001:db8::1", "2001:10::1",
    "::ffff:127.0.0.1", "::ffff:10.0.0.1", "::ffff:169.254.169.254", "64:ff9b::a9fe:a9fe", "64:ff9b:1::7f00:1",
    "2002:7f00:1::", "2002:a9fe:a9fe::1", "2001:0:4136:e378:8000:63bf:80ff:fffe", "::7f00:1",
]  # fmt: skip
ALLOWED = ["1.1.1.1", "93.184.216.34", "172.32.0.1", "2606:2800:220:1:248:1893:25c8:1946", "64:ff9b::101:101"]


@pytest.mark.parametrize("address", FORBIDDEN)
def test_no_message_goes_inside(address: str) -> None:
    assert not is_allowed(ipaddress.ip_address(address))


@pytest.mark.parametrize("address", ALLOWED)
def test_messages_go_outside(address: str) -> None:
    assert is_allowed(ipaddress.ip_address(address))


def test_a_network_that_is_named_is_allowed_and_no_other() -> None:
    named = [ipaddress.ip_network("192.168.1.0/24"), ipaddress.ip_network("fd12::/16")]
    assert is_allowed(ipaddress.ip_address("192.168.1.9"), named)
    assert is_allowed(ipaddress.ip_address("fd12::9"), named)
    assert is_allowed(ipaddress.ip_address("::ffff:192.168.1.9"), named)
    assert not is_allowed(ipaddress.ip_address("192.168.2.9"), named)
    assert not is_allowed(ipaddress.ip_address("169.254.169.254"), named)


class Names:
    """A name server whose answers change from one question to the next."""

    def __init__(self, *answers: list[str]) -> None:
        self.answers = list(answers)
        self.asked: list[str] = []

    def __call__(self, host: str, port: int, *_: Any, **__: Any) -> list[Any]:
        self.asked.append(host)
        addresses = self.answers.pop(0)
        families = {4: socket.AF_INET, 6: socket.AF_INET6}
        return [(families[ipaddress.ip_address(a).version], socket.SOCK_STREAM, 6, "", (a, port)) for a in addresses]


@pytest.mark.parametrize("answer", [["10.0.0.1"], ["1.1.1.1", "10.0.0.1"], ["10.0.0.1", "1.1.1.1"], ["::1"]])
def test_one_forbidden_address_is_enough(monkeypatch: pytest.MonkeyPatch, answer: list[str]) -> None:
    monkeypatch.setattr(socket, "getaddrinfo", Names(answer))
    with pytest.raises(ForbiddenTargetError, match="allow_networks"):
        asyncio.run(checked_address("alarm.example", 443))


@pytest.mark.parametrize("url", ["http://127.0.0.1:{port}/", "http://localhost:{port}/", "http://[::1]:{port}/"])
def test_this_machine_gets_nothing_unless_it_is_allowed(url: str) -> None:
    with listening() as hook:
        recipient = program(url=url.format(port=hook.port))
        with pytest.raises(DeliveryFailed, match="not a public address"):
            WebhookChannel(recipient, Recipients(recipient=[recipient])).deliver(MESSAGE, NOW_MS)
    assert hook.came == []


def test_a_name_that_answers_differently_a_moment_later_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Rebinding: the first answer is one that is allowed, the next would be the metadata service."""
    with listening() as hook:
        recipient = program(url=f"http://localhost:{hook.port}/")
        names = Names(["127.0.0.1"], ["169.254.169.254"])
        monkeypatch.setattr(socket, "getaddrinfo", _numbers_pass(names))
        way = WebhookChannel(recipient, Recipients(allow_networks=["127.0.0.0/8"], recipient=[recipient]), 5)
        way.deliver(MESSAGE, NOW_MS)
        assert (len(hook.came), names.asked) == (1, ["localhost"])
        with pytest.raises(DeliveryFailed, match=r"169\.254\.169\.254"):
            way.deliver(MESSAGE, NOW_MS)
    assert len(hook.came) == 1


def _numbers_pass(names: Names) -> Any:
    """Connecting to a number asks nobody; only names are answered."""
    real = socket.getaddrinfo

    def answer(host: str, port: int, *rest: Any, **more: Any) -> Any:
        try:
            ipaddress.ip_address(host)
        except ValueError:
            return names(host, port)
        return real(host, port, *rest, **more)

    return answer


@pytest.mark.parametrize("host", ["2130706433", "0x7f000001", "127.1"])
def test_odd_spellings_of_loopback_are_looked_through(host: str) -> None:
    recipient = program(url=f"https://{host}/")
    with pytest.raises(DeliveryFailed, match=r"not a public address|gaierror"):
        WebhookChannel(recipient, Recipients(recipient=[recipient])).deliver(MESSAGE, NOW_MS)
