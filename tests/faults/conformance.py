"""The API held against its own OpenAPI document by schemathesis, all checks, over real sites and a real server.

    python -m tests.faults.conformance [--examples N] [--phases LIST] [--seed N] [--json]

Sites and sensors in paths and queries are real ones in one run, and made up in the other. A body
that fits the document may still be refused (422) for what no schema can say, such as a start after
its end: that is the one status added to what schemathesis expects.
"""

from __future__ import annotations

import argparse
import json
import re
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Final, NamedTuple

import msgspec

from ingest.reading import Reading
from ingest.store.sqlite import SqliteStore
from tests.api.fakes import forecast_of
from tests.faults.hostile import now_ms, service

SITE: Final = "skerrow-head"
REAL: Final = {"path.site": SITE, "query.sensor": "post-1/level", "path.alarm": "nothing-heard:post-1"}
_CONFIG: Final = """
[generation]
database = "none"

[checks.positive_data_acceptance]
expected-statuses = ["2xx", 401, 403, 404, 409, 422]
"""


class Outcome(NamedTuple):
    """What schemathesis said, and whether it found nothing."""

    clean: bool
    cases: int
    report: str


def run(examples: int, phases: str, seed: int, *, real: bool) -> Outcome:
    """One run of schemathesis against a service with readings, a forecast, a log and an alarm."""
    with tempfile.TemporaryDirectory() as folder, service(Path(folder)) as (port, known, records):
        readings = SqliteStore(Path(folder) / "readings.db")
        at_ms = now_ms()
        names = ("level", "battery", "rain-total")
        readings.write([Reading(SITE, at_ms - n * 60_000, f"post-1/{name}", 1.2) for n in range(50) for name in names])
        readings.close()
        records.put_forecast(SITE, at_ms, msgspec.json.encode(forecast_of(SITE, at_ms)))
        config = Path(folder) / "schemathesis.toml"
        fixed = "\n".join(f'"{name}" = "{value}"' for name, value in REAL.items())
        config.write_text(_CONFIG + (f"\n[parameters]\n{fixed}\n" if real else ""))
        done = subprocess.run(
            [
                str(Path(sys.executable).with_name("schemathesis")), "--config-file", str(config), "run",
                f"http://127.0.0.1:{port}/api/v1/openapi.json", "--header", f"Authorization: Bearer {known.good}",
                "--checks", "all", "--phases", phases, "--max-examples", str(examples), "--seed", str(seed),
                "--generation-deterministic", "--no-color", "--output-sanitize", "true", "--request-timeout", "60",
                "--max-response-time", "60",  # how fast it is, is measured in tests/bench
            ],
            capture_output=True, text=True, check=False, cwd=folder,
        )  # fmt: skip
    counted = re.search(r"([\d,]+) (?:test cases )?generated", done.stdout)
    cases = int(counted[1].replace(",", "")) if counted else 0
    return Outcome(done.returncode == 0, cases, done.stdout + done.stderr)


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--examples", type=int, default=100, help="of each operation and phase")
    parser.add_argument("--phases", default="examples,coverage,fuzzing,stateful")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    outcomes = {
        name: run(given.examples, given.phases, given.seed, real=name == "real ids") for name in ("real ids", "any ids")
    }
    if given.json:
        print(json.dumps({name: {"clean": one.clean, "cases": one.cases} for name, one in outcomes.items()}))
    else:
        for name, outcome in outcomes.items():
            print(f"--- {name}: {'no failure' if outcome.clean else 'FAILURES'}\n{outcome.report}")
    sys.exit(0 if all(outcome.clean for outcome in outcomes.values()) else 1)


if __name__ == "__main__":
    main()
