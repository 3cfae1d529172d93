"""Alarm watch and outbox as one process that may be killed at any point; started by `tests.faults.delivery`.

A line on standard input, `NOW_MS`, forks a life from a process that has everything loaded: it watches
and delivers until it is killed, its clock standing at that instant. Its id is printed, then `judged`
when it has judged the alarms for the first time, and `ended` when it is dead.
"""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

from api.alarms.engine import AlarmEngine
from api.notify.channels import Channel, LogChannel
from api.notify.compose import Composer
from api.notify.digest import Digester, read_report
from api.notify.mail import MailChannel
from api.notify.outbox import Outbox
from api.notify.recipients import LOG, Recipients
from api.notify.recipientsfile import load_recipients
from api.notify.webhook import WebhookChannel
from api.settings import Settings
from ingest.instants import HOUR_MS, MINUTE_MS
from ingest.reading import Reading
from ingest.site import Site
from ingest.sitefile import load_sites
from ingest.store.records import Records
from tests.api.fakes import MemoryReadings

#: So long a tank is brimful, and then so long it is low: longer than any of its alarms takes to clear.
PHASE_MS: Final = 25 * HOUR_MS
EVERY_MS: Final = 5 * MINUTE_MS
LEVEL: Final = "post-1/level"
FULL_M: Final = 1.80
#: Below both the brim and the low mark of the example site, and well.
LOW_M: Final = 0.2
#: A receiver that hangs is given up soon: a life is short.
WITHIN_S: Final = 1.0


class Tides(MemoryReadings):
    """A tank whose level is a function of time: brimful, low, brimful, low; until now, and not beyond."""

    def __init__(self, now_ms: int) -> None:
        super().__init__()
        self._now_ms = now_ms

    def latest(self, site: str, until_ms: int) -> dict[str, Reading]:
        time_ms = until_ms - until_ms % EVERY_MS
        return {LEVEL: Reading(site, time_ms, LEVEL, level_m(time_ms))}

    def range(
        self, site: str, sensor: str, start_ms: int, end_ms: int, *, limit: int = 100_000, usable: bool = True
    ) -> list[Reading]:
        first = start_ms + -start_ms % EVERY_MS
        times = range(first, min(end_ms, self._now_ms + 1), EVERY_MS) if sensor == LEVEL else range(0)
        return [Reading(site, time_ms, sensor, level_m(time_ms)) for time_ms in times][:limit]


def level_m(time_ms: int) -> float:
    return FULL_M if time_ms // PHASE_MS % 2 else LOW_M


def live(settings: Settings, sites: Mapping[str, Site], recipients: Recipients, now_ms: int) -> None:
    """Watch and deliver, again and again, until killed."""
    records, readings = Records(settings.records), Tides(now_ms)

    def clock() -> int:
        return now_ms

    ways: dict[str, Channel] = {LOG: LogChannel()}
    for entry in recipients.recipient:
        webhook = entry.channel == "webhook"
        ways[entry.name] = (
            WebhookChannel(entry, recipients, WITHIN_S) if webhook else MailChannel(entry, recipients, WITHIN_S)
        )
    engine = AlarmEngine(sites, readings, records, clock, settings, recipients.names)
    composer = Composer(sites)
    digester = Digester(sites, composer, lambda site, at_ms: read_report(site, readings, records, at_ms, settings))
    outbox = Outbox(records, recipients, ways, composer, digester, clock)
    never = threading.Event()
    engine.tick()
    print("judged", flush=True)
    while True:
        outbox.deliver_due(never)
        engine.tick()
        never.wait(0.02)


def main(arguments: Sequence[str]) -> None:
    settings = Settings(data=Path(arguments[0]), sites=Path(arguments[0]) / "sites")
    sites = load_sites(settings.sites)
    recipients = load_recipients(settings.recipients_file, sites)
    for line in sys.stdin:
        life = os.fork()
        if life == 0:
            sys.stdin = open(os.devnull)  # noqa: PTH123, SIM115 - the orders are for the one that forks
            live(settings, sites, recipients, int(line))
        print(life, flush=True)
        os.waitpid(life, 0)
        print("ended", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
