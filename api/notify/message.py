"""What an alarm message says: one line for a log, one CloudEvent for a program."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import Any

from api.alarms.lifecycle import ACTIVE
from api.alarms.types import alarm_id
from ingest.instants import to_rfc3339
from ingest.site import Site
from ingest.store.records import Transition

RAISED = "ullage.alarm.raised"
CLEARED = "ullage.alarm.cleared"


def message_id(transition: Transition) -> str:
    """The same for every attempt, so that a receiver can tell a repeat; different for every transition."""
    facts = (transition.id, transition.site, transition.alarm, transition.time_ms, transition.new)
    return "msg_" + hashlib.sha256("\n".join(map(str, facts)).encode()).hexdigest()[:24]


def headline(transition: Transition, sites: Mapping[str, Site]) -> str:
    """`Skerrow Head bird observatory: Battery is low (medium, respond within 24 h). REASON`"""
    alarm = alarm_id(transition.alarm)
    title = transition.alarm if alarm is None else alarm.title
    place = sites[transition.site].name if transition.site in sites else transition.site
    if transition.new != ACTIVE:
        return f"{place}: over: {title}. {transition.reason}"
    urgency = "" if alarm is None else f" ({alarm.kind.priority}, respond within {alarm.kind.respond_within_h:.0f} h)"
    return f"{place}: {title}{urgency}. {transition.reason}"


def cloud_event(transition: Transition, sites: Mapping[str, Site]) -> dict[str, Any]:
    """The transition as a CloudEvents 1.0 event, structured JSON (attributes from memory of the specification)."""
    raised = transition.new == ACTIVE
    data: dict[str, Any] = {
        "site": transition.site,
        "site_name": sites[transition.site].name if transition.site in sites else transition.site,
        "alarm": transition.alarm,
        "old": transition.old,
        "new": transition.new,
        "time": to_rfc3339(transition.time_ms),
        "reason": transition.reason,
        "text": headline(transition, sites),
    }
    alarm = alarm_id(transition.alarm)
    if alarm is not None:
        kind = alarm.kind
        data |= {
            "title": alarm.title,
            "part": alarm.part,
            "priority": kind.priority,
            "cause": kind.cause,
            "consequence": kind.consequence,
            "action": kind.action,
            "respond_within_h": kind.respond_within_h,
        }
    return {
        "specversion": "1.0",
        "id": message_id(transition),
        "source": f"/sites/{transition.site}",
        "type": RAISED if raised else CLEARED,
        "subject": transition.alarm,
        "time": to_rfc3339(transition.time_ms),
        "datacontenttype": "application/json",
        "data": data,
    }
