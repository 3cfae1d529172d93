"""Faults, many times each: is all stored, once, that a broker had acknowledged to the device?

    .venv/bin/python -m tests.faults.matrix [--short] [--only NAME] [--json]

A kill is SIGKILL: the process is gone, and what it had given to the kernel is not. Power cuts that
lose what the disk had confirmed are not played here. The publisher sends each message again until
it is acknowledged; `missing` counts acknowledged readings that are not in the store when all is
over, `twice` those that are in it more than once. Exit status 1 if anything is not as expected.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from tests.faults import scenarios
from tests.faults.disks import may_mount


class Row(NamedTuple):
    """One kind of fault.

    missing  acknowledged and not stored
    expected whether this is what must or may happen
    """

    name: str
    repetitions: int
    acknowledged: int
    missing: int
    twice: int
    expected: bool
    note: str


class Fault(NamedTuple):
    """How often in the long and in the short form; play(folder, repetitions) does it."""

    long: int
    short: int
    play: Callable[[Path, int], scenarios.Played]


FAULTS: dict[str, Fault] = {
    "kill the collector, NATS": Fault(100, 5, scenarios.kill_collector("nats")),
    "kill the collector, Mosquitto": Fault(100, 5, scenarios.kill_collector("mosquitto")),
    "kill NATS, collector up": Fault(20, 3, scenarios.kill_broker("nats")),
    "kill Mosquitto, collector up": Fault(20, 3, scenarios.kill_broker("mosquitto")),
    "kill NATS, collector down": Fault(20, 3, scenarios.kill_broker_alone("nats")),
    "kill Mosquitto, collector down": Fault(20, 2, scenarios.kill_broker_alone("mosquitto")),
    "kill NATS and collector together": Fault(20, 2, scenarios.kill_both),
    "kill influxd": Fault(20, 2, scenarios.kill_influxd),
    "full NATS": Fault(5, 1, scenarios.full_broker),
    "full disk": Fault(5, 1, scenarios.full_disk),
    "read-only disk": Fault(3, 1, scenarios.read_only_disk),
    "database answers 503": Fault(60, 2, scenarios.unavailable_database),
    "clock steps by an hour": Fault(6, 2, scenarios.stepping_clock),
}

if may_mount():
    # A limit on the size of its files, the stand-in, would end the server.
    FAULTS["full disk under NATS"] = Fault(3, 1, scenarios.full_broker_disk)


def play(name: str, folder: Path, repetitions: int) -> Row:
    """One row of the table."""
    outcome, note, may_miss = FAULTS[name].play(folder, repetitions)
    expected = (may_miss or not outcome.missing) and not outcome.twice and not outcome.strange
    if outcome.strange:
        note = f"{outcome.strange} that were never sent or were rejected; {note}"
    return Row(name, repetitions, outcome.acknowledged, len(outcome.missing), outcome.twice, expected, note)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--short", action="store_true", help="few repetitions of each")
    parser.add_argument("--only", action="append", metavar="NAME", help="rows whose name contains this; repeatable")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    rows = []
    for name, fault in FAULTS.items():
        if options.only and not any(part in name for part in options.only):
            continue
        begin = time.monotonic()
        with tempfile.TemporaryDirectory(prefix="ullage-faults-") as folder:
            rows.append(play(name, Path(folder), fault.short if options.short else fault.long))
        if not options.json:
            print(_line(rows[-1], time.monotonic() - begin), flush=True)
    if options.json:
        print(json.dumps([row._asdict() for row in rows], indent=2))
    return 0 if all(row.expected for row in rows) else 1


def _line(row: Row, took_s: float) -> str:
    verdict = "" if row.expected else "  NOT AS EXPECTED"
    return (
        f"{row.name:34}{row.repetitions:4} × {row.acknowledged:8} acknowledged {row.missing:6} missing "
        f"{row.twice:3} twice  {took_s:5.0f} s  {row.note}{verdict}"
    )


if __name__ == "__main__":
    sys.exit(main())
