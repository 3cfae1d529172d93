"""Passwords of single devices at the bundled broker: each publishes to its own topics and to nothing else.

They stand in a file of their own beside the broker's other secrets, readable by its owner alone,
because the broker needs them as they are. While the broker runs it looks at the file every few
seconds, so a password given or taken holds without a restart.
"""

from __future__ import annotations

import json
import secrets
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Final, NamedTuple

from ingest.errors import BrokerError
from ingest.private import private_folder
from ingest.secretsfile import write_private
from ingest.site import Site

FILE: Final = "broker-devices.json"
#: What the site files named when the broker last started: a password for anything else would be good for nothing.
NAMED_FILE: Final = "broker-named.json"
#: What stands for the one name that all devices may use.
SHARED: Final = "shared"


class Devices(NamedTuple):
    """Who may publish.

    shared     whether the one name `device`, which all of them may use, is still good
    passwords  by `SITE/DEVICE`, which is the name that the device logs in with
    """

    shared: bool
    passwords: dict[str, str]


def read_devices(folder: Path) -> Devices:
    """What was given so far. Raises BrokerError on a damaged file."""
    file = folder / FILE
    try:
        kept = json.loads(file.read_text(encoding="utf-8"))
        return Devices(bool(kept["shared"]), {str(name): str(word) for name, word in kept["passwords"].items()})
    except FileNotFoundError:
        return Devices(True, {})
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise BrokerError(f"{file} is damaged ({error}): restore it, or delete it and give passwords anew") from error


def write_named(folder: Path, topics: Mapping[str, list[str]]) -> None:
    """Keep, for whoever gives passwords, which devices there are and where each may publish."""
    write_private(folder / NAMED_FILE, json.dumps(topics, indent=2))


def topics_named(folder: Path, device: str) -> list[str]:
    """Where a device may publish, by the site files that the broker last started with.

    Raises BrokerError for a device that they do not name, and where the broker never started.
    """
    file = folder / NAMED_FILE
    try:
        named = {str(name): [str(topic) for topic in topics] for name, topics in json.loads(file.read_text()).items()}
    except FileNotFoundError:
        raise BrokerError(f"{file} is not there: start the service with its site files first") from None
    except (ValueError, TypeError, AttributeError) as error:
        raise BrokerError(f"{file} is damaged ({error}): restart the service, which writes it anew") from error
    if device not in named:
        raise BrokerError(
            f"no site file names the device {device}: there are {', '.join(sorted(named)) or 'none'}. "
            "Write it into its site file and restart the service, then ask again"
        )
    return named[device]


def give_password(folder: Path, device: str) -> str:
    """A new password for a device; one that it had is no longer good."""
    devices = read_devices(folder)
    devices.passwords[device] = secrets.token_urlsafe(24)
    _write(folder, devices)
    return devices.passwords[device]


def take_password(folder: Path, device: str) -> bool:
    """A device may no longer publish by its own name. False: it had no password."""
    devices = read_devices(folder)
    had = devices.passwords.pop(device, None) is not None
    _write(folder, devices)
    return had


def share(folder: Path, *, shared: bool) -> None:
    """Let devices use the one name `device`, or not any more."""
    _write(folder, read_devices(folder)._replace(shared=shared))


def topics_of(sites: Iterable[Site], prefix: str) -> dict[str, list[str]]:
    """What each device of these sites may publish to, by `SITE/DEVICE`."""
    topics: dict[str, list[str]] = {}
    for site in sites:
        for sensor in site.sensor:
            own = topics.setdefault(f"{site.id}/{sensor.device}", [f"{prefix}/{site.id}/{sensor.device}/#"])
            if sensor.topic is not None and sensor.topic not in own:
                own.append(sensor.topic)
    return topics


def users_of(devices: Devices, topics: Mapping[str, list[str]]) -> list[tuple[str, str, list[str]]]:
    """Name, password and topics of each device that a site file still has."""
    return [(name, word, topics[name]) for name, word in sorted(devices.passwords.items()) if name in topics]


def _write(folder: Path, devices: Devices) -> None:
    private_folder(folder)
    write_private(folder / FILE, json.dumps(devices._asdict(), indent=2))
