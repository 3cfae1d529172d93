"""Who is not told of an alarm, and why. Pure: what people decided, and now, in; a mute out.

Muting silences messages and nothing else: the alarm goes through its states and every one of them
is recorded.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final, Literal, NamedTuple
from zoneinfo import ZoneInfo

from ingest.instants import DAY_MS, MINUTE_MS, to_datetime
from ingest.store.records import AlarmAction

#: A shelf holds an alarm for the length of a repair; for more, it is taken out of service. (our own choice)
SHORTEST_SHELF_MS: Final = 5 * MINUTE_MS
LONGEST_SHELF_MS: Final = 7 * DAY_MS

MuteKind = Literal["shelved", "out-of-service", "by-design", "folded"]
SHELVED: Final = "shelved"
OUT_OF_SERVICE: Final = "out-of-service"
BY_DESIGN: Final = "by-design"
FOLDED: Final = "folded"


class Mute(NamedTuple):
    """Why nobody is told.

    who, why, since_ms  who decided it, why and when [ms]; empty and 0 where a cause folds it
    until_ms  when a shelf ends by itself [ms]
    under     the alarm that is its cause
    """

    kind: MuteKind
    who: str = ""
    why: str = ""
    since_ms: int = 0
    until_ms: int | None = None
    under: str = ""

    @property
    def mark(self) -> str:
        """As it stands beside a transition: `shelved`, …, `folded:ALARM`."""
        return f"{self.kind}:{self.under}" if self.under else self.kind


def by_alarm(actions: Iterable[AlarmAction]) -> dict[str, list[AlarmAction]]:
    """Actions in their order, by alarm."""
    found: dict[str, list[AlarmAction]] = {}
    for action in actions:
        found.setdefault(action.alarm, []).append(action)
    return found


def mute_of(actions: Iterable[AlarmAction], zone: ZoneInfo, now_ms: int, cause: str = "") -> Mute | None:
    """The mute of one alarm now; None: everybody is told. Out of service goes before all others.

    actions  those on this alarm, the newest of each kind at least, oldest first
    cause    an active alarm of which this one is a consequence
    """
    newest: Mapping[str, AlarmAction] = {action.kind: action for action in actions}
    for begins, ends, kind in _PAIRS:
        action = _standing(newest.get(begins), newest.get(ends))
        if action is not None and _holds(action, zone, now_ms):
            return Mute(kind, action.who, action.why, action.time_ms, action.until_ms)
    return Mute(FOLDED, under=cause) if cause else None


#: What begins a mute, what ends it, and its name; the first that holds counts.
_PAIRS: Final[tuple[tuple[str, str, MuteKind], ...]] = (
    ("take-out", "put-back", OUT_OF_SERVICE),
    ("shelve", "unshelve", SHELVED),
    ("suppress", "unsuppress", BY_DESIGN),
)


def _standing(begun: AlarmAction | None, ended: AlarmAction | None) -> AlarmAction | None:
    return None if begun is None or (ended is not None and ended.id > begun.id) else begun


def _holds(action: AlarmAction, zone: ZoneInfo, now_ms: int) -> bool:
    if action.until_ms is not None and now_ms >= action.until_ms:
        return False
    return not action.months or to_datetime(now_ms).astimezone(zone).month in action.months
