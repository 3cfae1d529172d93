"""What an alarm message says: one line for a log, one CloudEvent for a program."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import Any, Final
from zoneinfo import ZoneInfo

from api.alarms.lifecycle import ACKNOWLEDGED, was_raised
from api.alarms.types import alarm_id, wording
from api.speech import Speaker
from ingest.instants import to_rfc3339
from ingest.site import Site
from ingest.store.records import Transition

RAISED = "ullage.alarm.raised"
CLEARED = "ullage.alarm.cleared"
KNOWN = "ullage.alarm.acknowledged"
UTC: Final = ZoneInfo("UTC")


def message_id(transition: Transition) -> str:
    """The same for every attempt, so that a receiver can tell a repeat; different for every transition."""
    facts = (transition.id, transition.site, transition.alarm, transition.time_ms, transition.new)
    return "msg_" + hashlib.sha256("\n".join(map(str, facts)).encode()).hexdigest()[:24]


def headline(transition: Transition, sites: Mapping[str, Site]) -> str:
    """`Skerrow Head bird observatory: Battery is low (medium, respond within 24 h). REASON`"""
    alarm = alarm_id(transition.alarm)
    title = transition.alarm if alarm is None else alarm.title
    place = sites[transition.site].name if transition.site in sites else transition.site
    if transition.new == ACKNOWLEDGED:
        return f"{place}: known: {title}. {transition.reason}"
    if not was_raised(transition):
        return f"{place}: over: {title}. {transition.reason}"
    urgency = "" if alarm is None else f" ({alarm.kind.priority}, respond within {alarm.kind.respond_within_h:.0f} h)"
    return f"{place}: {title}{urgency}. {transition.reason}"


def cloud_event(transition: Transition, sites: Mapping[str, Site]) -> dict[str, Any]:
    """The transition as a CloudEvents 1.0 event, structured JSON (attributes from memory of the specification)."""
    kind_of_event = RAISED if was_raised(transition) else KNOWN if transition.new == ACKNOWLEDGED else CLEARED
    site = sites.get(transition.site)
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
        kind, words, speaker = alarm.kind, wording(alarm, site), Speaker(UTC if site is None else site.zone)
        data |= {
            "title": alarm.title,
            "part": alarm.part,
            "priority": kind.priority,
            "cause": speaker.say(words.cause),
            "consequence": speaker.say(words.consequence),
            "action": speaker.say(words.action),
            "respond_within_h": kind.respond_within_h,
        }
    return {
        "specversion": "1.0",
        "id": message_id(transition),
        "source": f"/sites/{transition.site}",
        "type": kind_of_event,
        "subject": transition.alarm,
        "time": to_rfc3339(transition.time_ms),
        "datacontenttype": "application/json",
        "data": data,
    }
