"""Hostile requests against the running service: every one refused with the right code, and nothing of the inside told.

python -m tests.faults.hostile [--requests N] [--seed N] [--json]
"""

from __future__ import annotations

import argparse
import asyncio
import json
import random
import re
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import httpx
import sqlalchemy as sa

from api.access.access import Access
from api.access.scope import CONFIGURE, READ
from api.role import serve
from api.settings import Settings
from ingest.instants import DAY_MS
from ingest.sitefile import load_site
from ingest.store.access import AccessStore, token
from ingest.store.records import Records
from ingest.store.sqlite import SqliteStore
from tests.conftest import SITES, find_free_port
from tests.faults.attacks import KINDS, LOG, MARK, Attack, Known

AT_ONCE: Final = 16
WAIT_S: Final = 20.0
#: What an answer must not hold: the marks of a trace, of our libraries, of our files, or what was sent.
INSIDE: Final = re.compile(
    r"Traceback|File \"|line \d+, in|\.py\b|site-packages|pydantic|starlette|fastapi|uvicorn|sqlalchemy|sqlite3?\b|"
    r"argon2|Error\(|Exception|records\.db|/tmp/|/root|/home|" + MARK
)


@dataclass
class Outcome:
    """What came of it: requests by kind and status, and what should not have been."""

    by_kind: dict[str, Counter[int]] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)

    def note(self, attack: Attack, answer: bytes) -> None:
        head, _, _ = answer.partition(b"\r\n")
        parts = head.split(b" ")
        status = int(parts[1]) if len(parts) > 1 and parts[1].isdigit() else 0
        self.by_kind.setdefault(attack.kind, Counter())[status] += 1
        told = INSIDE.search(answer.decode("utf-8", "replace"))
        if status not in attack.refused_by or told is not None:
            what = f"told {told.group()!r}" if told else f"answered {status}, not {sorted(attack.refused_by)}"
            self.wrong.append(f"{attack.kind}: {what}: {attack.sent[:160]!r}")


def now_ms() -> int:
    return time.time_ns() // 1_000_000


@contextmanager
def service(folder: Path) -> Iterator[tuple[int, Known, Records]]:
    """The role as it runs, set up, with one site, and what an attacker may have got hold of."""
    settings = Settings(data=folder, port=find_free_port(), alarms=False, rate_per_s=1e6)
    records, readings = Records(settings.records), SqliteStore(folder / "readings.db")
    access = Access(AccessStore(records), now_ms)
    access.add_person("warden", "a kettle on the north wind", CONFIGURE)
    _number_tokens_high(records)
    good, reader = access.issue("good", CONFIGURE, "test")[0], access.issue("reader", READ, "test")[0]
    expired = Access(AccessStore(records), lambda: now_ms() - 2 * DAY_MS).issue("old", CONFIGURE, "test", days=1)[0]
    revoked, kept = access.issue("lost", CONFIGURE, "test")
    access.revoke(kept.id)
    site, stop = load_site(SITES / "skerrow-head.toml"), threading.Event()
    running = threading.Thread(target=serve, args=({site.id: site}, readings, records, now_ms, settings, stop))
    running.start()
    try:
        with closing(_client(settings.port)) as client:
            session, form = _sign_in(client, access)
            ended, ended_form = _sign_in(client, access)
            client.post("/logout", data={"form_token": ended_form}, headers={"Cookie": f"ullage-session={ended}"})
            bearer = {"Authorization": f"Bearer {good}"}
            for note in "ab":
                client.post(LOG, json={"kind": "note", "note": note}, headers=bearer)
            cursor = client.get(f"{LOG}?limit=1", headers=bearer).json()["next"]
        dead = (expired, revoked, "ull_" + "A" * 43)
        yield settings.port, Known(good, reader, dead, session, form, ended, cursor), records
    finally:
        stop.set()
        running.join(30)
        readings.close()
        records.close()


def _number_tokens_high(records: Records) -> None:
    """So that nobody who guesses numbers revokes the token that is used here."""
    values = {"id": 10**12, "name": "first", "digest": bytes(32), "scope": READ, "created_ms": 0, "created_by": "test"}
    with records.transaction() as connection:
        connection.execute(sa.insert(token).values(**values, revoked_ms=1))


def _client(port: int) -> httpx.Client:
    base = f"http://127.0.0.1:{port}"
    client = httpx.Client(base_url=base, headers={"Host": "127.0.0.1", "Origin": "http://127.0.0.1"})
    end = time.monotonic() + WAIT_S
    while True:
        try:
            client.get("/api/v1/health/live")
        except httpx.ConnectError:
            if time.monotonic() > end:
                raise
            time.sleep(0.05)
        else:
            return client


def _sign_in(client: httpx.Client, access: Access) -> tuple[str, str]:
    """A session's cookie and what its forms carry."""
    client.cookies.clear()
    answer = client.post("/login", data={"name": "warden", "password": "a kettle on the north wind"})
    session = answer.cookies["ullage-session"]
    client.cookies.clear()
    caller = access.visitor(session)
    if caller is None:
        raise RuntimeError("the session does not hold")
    return session, caller.form


async def attack_all(port: int, attacks: list[Attack]) -> Outcome:
    """Send them all, some at once, each over a connection of its own."""
    outcome, gate = Outcome(), asyncio.Semaphore(AT_ONCE)

    async def one(attack: Attack) -> None:
        async with gate:
            outcome.note(attack, await _answer(port, attack.sent))

    await asyncio.gather(*(one(attack) for attack in attacks))
    return outcome


async def _answer(port: int, sent: bytes) -> bytes:
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    try:
        async with asyncio.timeout(WAIT_S):
            writer.write(sent)
            answer = await reader.read(65_536)  # the head, and of a refusal the body too
            while not answer.endswith(b"}") and (more := await reader.read(65_536)):
                answer += more
            return answer
    except (OSError, TimeoutError):
        return b""
    finally:
        writer.close()


def run(requests: int, seed: int) -> Outcome:
    """So many attacks, the kinds in turn; afterwards nothing of theirs may be kept, and the service must be well."""
    chance = random.Random(seed)
    with tempfile.TemporaryDirectory() as folder, service(Path(folder)) as (port, known, records):
        attacks = [KINDS[n % len(KINDS)](chance, known) for n in range(requests)]
        outcome = asyncio.run(attack_all(port, attacks))
        kept = records.log("skerrow-head", 0, now_ms() + DAY_MS)
        if [entry.note for entry in kept] != ["a", "b"]:
            outcome.wrong.append(f"kept: {[entry.note[:40] for entry in kept]}")
        with closing(_client(port)) as client:
            bearer = {"Authorization": f"Bearer {known.good}"}
            if client.get("/api/v1/health/ready", headers=bearer).status_code != 200:
                outcome.wrong.append("not ready afterwards")
    return outcome


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--requests", type=int, default=5_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    outcome = run(given.requests, given.seed)
    if given.json:
        print(json.dumps({"requests": given.requests, "by_kind": outcome.by_kind, "wrong": outcome.wrong}))
    else:
        for kind, statuses in outcome.by_kind.items():
            told = ", ".join(f"{status} × {count}" for status, count in sorted(statuses.items()))
            print(f"{kind:28}{sum(statuses.values()):6}  {told}")
        print(f"not refused as they should be: {len(outcome.wrong)}", *outcome.wrong[:20], sep="\n")
    sys.exit(1 if outcome.wrong else 0)


if __name__ == "__main__":
    main()
