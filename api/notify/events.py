"""A message for programs: CloudEvents 1.0, structured JSON (specification, section "Context Attributes")."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final
from zoneinfo import ZoneInfo

from api.alarms.types import Wording, alarm_id
from api.notify.stages import stage_of
from api.speech import Speaker
from ingest.instants import to_rfc3339
from ingest.store.transitions import Transition

#: Followed by what became of it: `raised`, `acknowledged`, `cleared`, `closed` or `escalated`.
ALARM: Final = "ullage.alarm."
BUNDLE: Final = "ullage.alarms"
DIGEST: Final = "ullage.digest"
TEST: Final = "ullage.test"

_ENGLISH: Final = Speaker(ZoneInfo("UTC"))


def event(key: str, kind: str, source: str, time_ms: int, data: dict[str, Any]) -> dict[str, Any]:
    """The envelope. `source` and `id` together are unique, and the same at every attempt."""
    return {
        "specversion": "1.0",
        "id": key,
        "source": source,
        "type": kind,
        "time": to_rfc3339(time_ms),
        "datacontenttype": "application/json",
        "data": data,
    }


def alarm_event(
    key: str, about: Transition, words: Wording | None, place: str, source: str, text: str, *, escalated: bool
) -> dict[str, Any]:
    """A change of state. `text` is in the recipient's language, all else in English, times in UTC."""
    data: dict[str, Any] = {
        "site": about.site,
        "site_name": place,
        "alarm": about.alarm,
        "old": about.old,
        "new": about.new,
        "time": to_rfc3339(about.time_ms),
        "who": about.who,
        "reason": about.reason,
        "evidence": [
            {"sensor": reading.sensor, "time": to_rfc3339(reading.time_ms), "value": reading.value}
            for reading in about.evidence
        ],
        "text": text,
    }
    alarm = alarm_id(about.alarm)
    if alarm is not None and words is not None:
        data |= {name: _ENGLISH.say(saying) for name, saying in words._asdict().items()}
        data |= {
            "part": alarm.part,
            "priority": alarm.kind.priority,
            "respond_within_h": alarm.kind.respond_within_h,
        }
    kind = ALARM + ("escalated" if escalated else stage_of(about))
    return {**event(key, kind, source, about.time_ms, data), "subject": about.alarm}


def bundle_event(key: str, source: str, inner: Sequence[dict[str, Any]], text: str) -> dict[str, Any]:
    """Several events in one; each has the id that it would have had alone. Dated by the newest."""
    newest = max(inner, key=lambda one: str(one["time"]))
    return {**event(key, BUNDLE, source, 0, {"text": text, "events": list(inner)}), "time": newest["time"]}
