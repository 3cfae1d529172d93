"""kill -9 between an alarm's transition and its delivery: does everybody get each message, and how often?

    .venv/bin/python -m tests.faults.delivery [--kills 200] [--seed 1] [--json]

The real alarm watch and outbox run over a tank that is brimful and low in turns, and tell a webhook
and a mailbox. They are killed at random instants, while the webhook's receiver answers, refuses,
hangs, answers after the kill, or hangs up, and the mail server does likewise. Only kills that found
something on its way are counted. In the end the receivers are well, and all is delivered.

`lost` counts messages that a receiver never got; `doubled` those that a receiver that keeps the ids
it has seen would take for two; `mails_again` mails that were taken twice under one Message-ID, which
SMTP cannot help: it knows no ids, so a crash after the server's answer and before its record
repeats the mail. Exit status 1 if anything is lost or doubled.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

from api.notify.message import bundle_id, message_id
from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS
from ingest.store.records import Records
from tests.api.fakes import NOW_MS
from tests.api.notify.conftest import SECRET
from tests.faults.delivery_process import PHASE_MS
from tests.faults.receivers import Receivers, hook, mail_server

ROOT = Path(__file__).parent.parent.parent
#: This share of the lives ends within so long of its beginning, all others after they have judged the alarms;
#: telling everybody is taken to last no longer than this. [s]
EARLY, EARLY_S, LONGEST_S = 0.2, 0.6, 2.0
#: While something has waited for longer, the alarms are given no new cause, or it would be given up.
LONGEST_WAIT_MS = 4 * DAY_MS
#: Lives in which nothing fails, until all is delivered.
CALM_LIVES = 60

NOTIFY = """
allow_networks = ["127.0.0.0/8"]
[smtp]
host = "127.0.0.1"
port = {mail_port}
security = "none"
sender = "ullage@tank.example"
[[recipient]]
name = "logbook"
channel = "webhook"
url = "http://127.0.0.1:{hook_port}/"
secret = "{secret}"
[[recipient]]
name = "warden"
channel = "email"
address = "warden@skerrow.example"
"""


class Outcome(NamedTuple):
    """What came of it.

    kills         that found something on its way
    given_up      messages that nobody took for seven days of the process's clock
    lives         of the process, killed or not
    transitions   of alarms
    messages      that were to reach the webhook and the mailbox
    came_again    webhook messages that came more than once under one id, which the receiver takes for one
    raised_twice  transitions that do not follow upon the one before
    """

    kills: int
    lives: int
    transitions: int
    messages: int
    given_up: int
    lost: int
    doubled: int
    strange: int
    raised_twice: int
    came_again: int
    mails_again: int
    moods: dict[str, int]

    @property
    def as_expected(self) -> bool:
        return not (self.lost or self.doubled or self.strange or self.raised_twice)


class Process:
    """The one that forks lives."""

    def __init__(self, folder: Path) -> None:
        environment = {**os.environ, "PYTHONPATH": str(ROOT)}
        command = [sys.executable, "-m", "tests.faults.delivery_process", str(folder)]
        self._log = (folder / "process.log").open("wb")
        self._process = subprocess.Popen(
            command,
            cwd=ROOT,
            env=environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self._log,
            text=True,
        )

    def live(self, now_ms: int, seconds: float, *, after_judging: bool = True) -> None:
        """One life, to its violent end so many seconds after its beginning, or after it has judged the alarms."""
        life, said = self._begin(now_ms), ""
        if after_judging:
            said = self._line()
        time.sleep(seconds)
        self._end(life, said)

    def needs_s(self, now_ms: int, database: Path) -> float:
        """How long a life takes from judging the alarms to having told everybody. [s]"""
        life = self._begin(now_ms)
        said, begun = self._line(), time.monotonic()
        while oldest(database) is not None and time.monotonic() - begun < LONGEST_S:
            time.sleep(0.01)
        took_s = time.monotonic() - begun
        self._end(life, said)
        return took_s

    def _begin(self, now_ms: int) -> int:
        assert self._process.stdin is not None
        self._process.stdin.write(f"{now_ms}\n")
        self._process.stdin.flush()
        return int(self._line())

    def _end(self, life: int, said: str) -> None:
        os.kill(life, signal.SIGKILL)
        while said != "ended":
            said = self._line()

    def _line(self) -> str:
        assert self._process.stdout is not None
        line = self._process.stdout.readline().strip()
        if not line:
            raise RuntimeError(f"the process that forks lives has ended: see {self._log.name}")
        return line

    def close(self) -> None:
        self._process.kill()
        self._process.wait()
        self._log.close()
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                pipe.close()


class _Clock:
    """The instant of the next life: the end of the next phase, or an hour on while something has waited for long."""

    def __init__(self) -> None:
        self._phase_ms, self._hours = NOW_MS - NOW_MS % (2 * PHASE_MS) - MINUTE_MS, 0

    def next(self, oldest_ms: int | None) -> int:
        """oldest_ms: of what waits"""
        now_ms = self._phase_ms + self._hours * HOUR_MS
        patient = oldest_ms is None or now_ms - oldest_ms < LONGEST_WAIT_MS
        if patient or self._hours == PHASE_MS // HOUR_MS - 1:
            self._phase_ms, self._hours = self._phase_ms + PHASE_MS, 0
        else:
            self._hours += 1
        return self._phase_ms + self._hours * HOUR_MS


def oldest(database: Path) -> int | None:
    """Since when the oldest message that is on its way waits; None: none is. [ms]"""
    with contextlib.closing(sqlite3.connect(database, timeout=10)) as connection:
        wanted = (
            "SELECT min(time_ms) FROM notification JOIN transition ON transition.id = notification.transition "
            "WHERE sent_ms IS NULL AND dropped = '' AND channel <> 'log'"
        )
        found = connection.execute(wanted).fetchone()[0]
        return None if found is None else int(found)


def play(folder: Path, kills: int, seed: int) -> Outcome:
    """The whole of it, in a folder of its own."""
    chance, receivers, database = random.Random(seed), Receivers(seed), folder / "records.db"
    (folder / "sites").mkdir()
    shutil.copy(ROOT / "deploy" / "sites" / "skerrow-head.toml", folder / "sites")
    with hook(receivers) as program, mail_server(receivers) as mail_port:
        file = folder / "sites" / "notify.toml"
        file.write_text(NOTIFY.format(mail_port=mail_port, hook_port=program.port, secret=SECRET))
        file.chmod(0o600)
        process = Process(folder)
        clock, hit, lives = _Clock(), 0, 0
        try:
            Records(f"sqlite:///{database}").close()
            receivers.calm = True
            needs_s = max(process.needs_s(clock.next(None), database) for _ in range(2))
            receivers.calm = False
            while hit < kills and lives < 5 * kills:
                lives += 1
                early = chance.random() < EARLY
                seconds = chance.uniform(0, EARLY_S if early else 1.5 * needs_s)
                process.live(clock.next(oldest(database)), seconds, after_judging=not early)
                hit += oldest(database) is not None
            receivers.calm = True
            while oldest(database) is not None and lives < 5 * kills + CALM_LIVES:
                lives += 1
                process.live(clock.next(oldest(database)), 2 * needs_s)
        finally:
            process.close()
    return _reckon(database, receivers, hit, lives)


def _reckon(database: Path, receivers: Receivers, kills: int, lives: int) -> Outcome:
    records = Records(f"sqlite:///{database}")
    transitions = list(reversed(records.transitions(limit=100_000)))
    rows = [
        row
        for start in range(0, len(transitions), 100)
        for row in records.notifications.about([entry.id for entry in transitions[start : start + 100]])
    ]
    records.close()
    state: dict[str, str] = {}
    raised_twice = sum(state.get(entry.alarm, "normal") != entry.old or bool(state.update({entry.alarm: entry.new}))
                       for entry in transitions)  # fmt: skip
    due = [
        row
        for row in rows
        if row.channel != "log" and (row.sent_ms is not None or row.bundle is not None or row.pending)
    ]
    programs = {message_id(row) for row in due if row.channel == "logbook"}
    together: dict[int | None, list[str]] = {}
    for row in due:
        if row.channel == "warden":
            together.setdefault(row.bundle, []).append(message_id(row))
    mails = {f"<{ids[0] if len(ids) == 1 else bundle_id(ids)}@tank.example>" for ids in together.values()}
    unsent = sum(row.pending for row in due)
    return Outcome(
        kills,
        lives,
        len(transitions),
        len(due),
        given_up=sum("seven days" in row.dropped for row in rows),
        lost=len(programs - receivers.events.keys()) + len(mails - receivers.mails.keys()) + unsent,
        doubled=sum(len(outer) > 1 for outer in receivers.outer.values()) + len(receivers.changed),
        strange=len(receivers.events.keys() - programs) + len(receivers.mails.keys() - mails),
        raised_twice=raised_twice,
        came_again=sum(count - 1 for count in receivers.came.values()),
        mails_again=sum(count - 1 for count in receivers.mails.values()),
        moods=dict(receivers.moods),
    )


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    begun = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="ullage-delivery-") as folder:
        outcome = play(Path(folder), options.kills, options.seed)
    if options.json:
        print(json.dumps(outcome._asdict(), indent=2))
    else:
        for name, value in outcome._asdict().items():
            print(f"{name:14}{value}")
        print(f"{'as expected' if outcome.as_expected else 'NOT AS EXPECTED'}, {time.monotonic() - begun:.0f} s")
    return 0 if outcome.as_expected else 1


if __name__ == "__main__":
    sys.exit(main())
