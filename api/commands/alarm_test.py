"""The command `ullage alarm-test`: does a message reach everybody who is to be told?"""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NamedTuple

import typer

from api.options import DataOption, JsonOption

if TYPE_CHECKING:
    from api.notify.recipients import Recipient, Recipients
    from api.settings import Settings

#: Name under which the broker is tested.
BROKER = "mqtt"


class Way(NamedTuple):
    """One way to try. send: raises when the message did not arrive."""

    name: str
    channel: str
    send: Callable[[], None]


class Outcome(NamedTuple):
    """error: empty when it was delivered; took_s: how long it took [s]"""

    name: str
    channel: str
    delivered: bool
    error: str
    took_s: float


def alarm_test(
    name: Annotated[str, typer.Argument(help="A recipient, or a channel: email, webhook, apprise, mqtt.")] = "",
    sites: Annotated[
        Path | None, typer.Option("--sites", help="Site files; notify.toml stands beside them. Default: ULLAGE_SITES.")
    ] = None,
    notify: Annotated[
        Path | None, typer.Option("--notify", help="The file of recipients, where it is another.")
    ] = None,
    data: DataOption = Path("ullage-data"),
    as_json: JsonOption = False,
) -> None:
    """Send a test message to everybody who is told of alarms, or to one; exit 1 if one did not arrive."""
    from api.notify.recipientsfile import load_recipients
    from api.settings import load_settings
    from ingest.errors import SettingsError

    settings = load_settings(data=data, sites=sites, notify=notify)
    recipients = load_recipients(settings.recipients_file)
    ways = _ways(settings, recipients)
    chosen = [way for way in ways if name in ("", way.name, way.channel)]
    if not chosen:
        file = settings.recipients_file
        lacking = f"{file} names none" if file.exists() else f"{file} is not there: start from deploy/notify.toml"
        known = ", ".join(way.name for way in ways) or f"nobody: {lacking}"
        raise SettingsError(f"{name or 'NAME'}: expected a recipient or a channel; there is {known}")
    outcomes = []
    for way in chosen:
        outcomes.append(_try(way))
        if not as_json:
            typer.echo(_line(outcomes[-1]))
    if as_json:
        typer.echo(json.dumps([outcome._asdict() for outcome in outcomes], indent=2))
    raise typer.Exit(0 if all(outcome.delivered for outcome in outcomes) else 1)


def _ways(settings: Settings, recipients: Recipients) -> list[Way]:
    ways = [Way(entry.name, entry.channel, _message_to(entry, recipients)) for entry in recipients.recipient]
    if settings.alarm_broker:
        ways.append(Way(BROKER, BROKER, _shown_on(settings.alarm_broker, settings.prefix)))
    return ways


def _message_to(recipient: Recipient, recipients: Recipients) -> Callable[[], None]:
    from api.notify.channels import channel_of
    from api.notify.compose import Composer

    def send() -> None:
        now_ms = time.time_ns() // 1_000_000
        message = Composer({}, recipients.page or "").test(recipient, now_ms)
        channel_of(recipient, recipients).deliver(message, now_ms)

    return send


def _shown_on(broker: str, prefix: str) -> Callable[[], None]:
    from api.notify.mirror import publish_once
    from ingest.brokerurl import parse_url

    return lambda: publish_once(parse_url(broker), f"{prefix}/alarm-test/alarm/alarm-test", b'{"state":"test"}')


def _try(way: Way) -> Outcome:
    from api.notify.channels import DeliveryFailed
    from ingest.errors import UllageError

    begun, error = time.monotonic(), ""
    try:
        way.send()
    except (DeliveryFailed, UllageError) as failure:
        error = str(failure)
    return Outcome(way.name, way.channel, not error, error, round(time.monotonic() - begun, 2))


def _line(outcome: Outcome) -> str:
    which = outcome.name if outcome.name == outcome.channel else f"{outcome.name} ({outcome.channel})"
    return f"{which}: " + (f"delivered in {outcome.took_s} s" if outcome.delivered else f"FAILED: {outcome.error}")
