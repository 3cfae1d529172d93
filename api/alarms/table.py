"""The alarm types as a table: `python -m api.alarms.table` prints it, and a test holds DEVELOPERS.md to it."""

from __future__ import annotations

from typing import Final

from api.alarms.kinds import AlarmType
from api.alarms.types import ALARM_TYPES
from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS

_HEAD: Final = (
    "alarm",
    "priority, respond within",
    "on, off, again after",
    "deadband",
    "cause → consequence",
    "what to do",
)
#: Before the words for another chemistry of the battery.
_LITHIUM: Final = "Lithium iron phosphate:"


def rows() -> list[tuple[str, ...]]:
    """One for each type, in the order in which they are listed."""
    return [_HEAD, tuple("---" for _ in _HEAD), *(_row(kind) for kind in ALARM_TYPES.values())]


def table() -> str:
    """The whole table, Markdown."""
    return "\n".join("| " + " | ".join(row) + " |" for row in rows())


def _row(kind: AlarmType) -> tuple[str, ...]:
    delays = ", ".join(_span(ms) for ms in (kind.on_delay_ms, kind.off_delay_ms, kind.realarm_ms))
    deadband = f"{kind.deadband:g} {kind.deadband_unit}" if kind.deadband else "none"
    urgency = f"{kind.priority}, {kind.respond_within_h:g} h"
    title = kind.title.replace(" {part}", " …")
    consequence, action = kind.consequence, kind.action_with_backup or kind.action
    if kind.consequence_lifepo4:
        consequence += f" {_LITHIUM} {kind.consequence_lifepo4}"
    if kind.action_lifepo4:
        action += f" {_LITHIUM} {kind.action_lifepo4}"
    return (f"`{kind.key}`: {title}", urgency, delays, deadband, f"{kind.cause} → {consequence}", action)


def _span(span_ms: int) -> str:
    """`10 min`, `6 h`, `3 d`: in the largest unit that divides it."""
    for unit_ms, name in ((DAY_MS, "d"), (HOUR_MS, "h"), (MINUTE_MS, "min")):
        if span_ms and span_ms % unit_ms == 0:
            return f"{span_ms // unit_ms} {name}"
    return "0"


def main() -> None:
    """Print it."""
    print(table())  # noqa: T201 - that is what the command is for


if __name__ == "__main__":
    main()
