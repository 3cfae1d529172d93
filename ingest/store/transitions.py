"""What is kept about alarms: changes of state, the readings behind them, and what people decided."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final, Literal, NamedTuple

import msgspec
from sqlalchemy import RowMapping

from ingest.saying import Saying


class Evidence(NamedTuple):
    """One reading behind a transition: of which sensor, when it was measured, its value in the unit kept inside.

    sensor  `DEVICE/NAME`; `forecast` and what it foretells, such as `forecast/runs-out`, for a probability
    """

    sensor: str
    time_ms: int
    value: float


class Transition(NamedTuple):
    """An alarm went from one state to another, why, and on what evidence.

    alarm     which one: `TYPE` or `TYPE:PART`, such as `tank-low:main`
    old, new  `normal`, `unacknowledged`, `acknowledged` or `returned`; the same when it is announced again
    reason    English, with the figures behind it
    said      the same sentence, to be said in other languages; None: kept before there were any
    who       who did it; empty: the service itself
    muted     why nobody is told: `shelved`, `out-of-service`, `by-design` or `folded:ALARM`; empty: all are
    """

    site: str
    alarm: str
    time_ms: int
    old: str
    new: str
    reason: str
    id: int = 0
    said: Saying | None = None
    who: str = ""
    evidence: tuple[Evidence, ...] = ()
    muted: str = ""


Kind = Literal["shelve", "unshelve", "take-out", "put-back", "suppress", "unsuppress", "annotate"]


class AlarmAction(NamedTuple):
    """What somebody decided about an alarm; none is ever changed.

    until_ms  end of a shelving [ms]
    months    local months in which an alarm is suppressed by design, 1 to 12
    """

    site: str
    alarm: str
    time_ms: int
    kind: Kind
    who: str
    why: str
    until_ms: int | None = None
    months: tuple[int, ...] = ()
    id: int = 0


_said: Final = msgspec.json.Decoder(Saying)
_evidence: Final = msgspec.json.Decoder(tuple[Evidence, ...])


def transition_row(entry: Transition) -> dict[str, Any]:
    """The columns of a transition, but for its id."""
    row = entry._asdict()
    del row["id"]
    row["said"] = None if entry.said is None else msgspec.json.encode(entry.said).decode()
    row["evidence"] = msgspec.json.encode(entry.evidence).decode()
    return row


def transition_of(row: RowMapping) -> Transition:
    """A transition from its columns."""
    said = None if row["said"] is None else _said.decode(row["said"])
    evidence = _evidence.decode(row["evidence"])
    return Transition(**{**row, "said": said, "evidence": evidence})


def action_row(entry: AlarmAction) -> dict[str, Any]:
    """The columns of an action, but for its id."""
    row = entry._asdict()
    del row["id"]
    row["months"] = ",".join(map(str, entry.months))
    return row


def action_of(row: RowMapping) -> AlarmAction:
    """An action from its columns."""
    return AlarmAction(**{**row, "months": _numbers(row["months"].split(","))})


def _numbers(words: Sequence[str]) -> tuple[int, ...]:
    return tuple(int(word) for word in words if word)
