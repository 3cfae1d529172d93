"""What people do about an alarm: acknowledge, shelve, take out of service, suppress by design, annotate.

Each is appended to the records with who and why. `alarm` is `TYPE` or `TYPE:PART`; every function
raises UnknownAlarm for one that the site does not have, and StoreUnavailable.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final
from zoneinfo import ZoneInfo

from api.alarms.lifecycle import acknowledged, state_of, transition
from api.alarms.muting import LONGEST_SHELF_MS, SHORTEST_SHELF_MS, by_alarm, mute_of
from api.alarms.types import INSTALLATION_ALARMS, alarms_of
from api.speech import Speaker
from ingest.errors import ActionRefused, NotActive, UnknownAlarm
from ingest.instants import to_rfc3339
from ingest.saying import name, say
from ingest.site import Site
from ingest.store.records import AlarmAction, Records, Transition
from ingest.store.transitions import Kind
from ingest.watch import BROKER_SITE

#: As long as their columns and a screen bear.
LONGEST_WHO: Final = 80
LONGEST_TEXT: Final = 2_000


def acknowledge(
    records: Records, site: Site | None, alarm: str, who: str, note: str, now_ms: int, channels: Sequence[str] = ()
) -> Transition:
    """Somebody knows. site: None for an alarm of the installation; note may be empty.

    channels  who else is told of it
    Raises NotActive when there is nothing to acknowledge, also when somebody else was faster.
    """
    _check(site, alarm, who, note)
    place = _place(site)
    previous = records.last_transitions(place).get(alarm)
    new = None if previous is None else acknowledged(previous)
    if previous is None or new is None:
        raise NotActive(f"{alarm} is {state_of(previous)}: there is nothing to acknowledge")
    reason = (
        say("Acknowledged by {who}: {note}", who=name(who), note=name(note))
        if note
        else say("Acknowledged by {who}.", who=name(who))
    )
    due = transition(place, alarm, now_ms, previous.new, new, reason, Speaker(_zone(site)), who=who)
    appended = records.append_transitions([due], channels)
    if not appended:
        raise NotActive(f"{alarm} has just changed its state: look at it again")
    return appended[0]


def shelve(
    records: Records, site: Site | None, alarm: str, until_ms: int, who: str, why: str, now_ms: int
) -> AlarmAction:
    """Tell nobody until an instant. [UTC ms] Raises ActionRefused outside 5 minutes to 7 days."""
    if not SHORTEST_SHELF_MS <= until_ms - now_ms <= LONGEST_SHELF_MS:
        raise ActionRefused(
            f"until {to_rfc3339(until_ms)}: a shelf lasts 5 minutes to 7 days from now; "
            "for longer take the alarm out of service"
        )
    return _decide(records, site, alarm, "shelve", who, why, now_ms, until_ms=until_ms)


def unshelve(records: Records, site: Site | None, alarm: str, who: str, why: str, now_ms: int) -> AlarmAction:
    """Tell people again. Raises NotActive when it is not shelved."""
    return _undo(records, site, alarm, "unshelve", who, why, now_ms)


def take_out_of_service(
    records: Records, site: Site | None, alarm: str, who: str, why: str, now_ms: int
) -> AlarmAction:
    """Tell nobody until it is put back: what it watches is being repaired or is gone."""
    return _decide(records, site, alarm, "take-out", who, why, now_ms)


def return_to_service(records: Records, site: Site | None, alarm: str, who: str, why: str, now_ms: int) -> AlarmAction:
    """Tell people again. Raises NotActive when it is not out of service."""
    return _undo(records, site, alarm, "put-back", who, why, now_ms)


def suppress(
    records: Records, site: Site | None, alarm: str, months: Sequence[int], who: str, why: str, now_ms: int
) -> AlarmAction:
    """Tell nobody in these local months of every year: the site is shut, or the thing is not in use then."""
    if not months or any(month not in range(1, 13) for month in months):
        raise ActionRefused(f"months {list(months)}: some of 1 to 12 are expected")
    return _decide(records, site, alarm, "suppress", who, why, now_ms, months=tuple(sorted(set(months))))


def unsuppress(records: Records, site: Site | None, alarm: str, who: str, why: str, now_ms: int) -> AlarmAction:
    """Tell people again the whole year. Raises NotActive when it is not suppressed."""
    return _undo(records, site, alarm, "unsuppress", who, why, now_ms)


def annotate(records: Records, site: Site | None, alarm: str, who: str, note: str, now_ms: int) -> AlarmAction:
    """Write down what is known about an alarm, whatever its state."""
    return _decide(records, site, alarm, "annotate", who, note, now_ms)


_BEGINS: Final[dict[Kind, Kind]] = {"unshelve": "shelve", "put-back": "take-out", "unsuppress": "suppress"}


def _undo(records: Records, site: Site | None, alarm: str, kind: Kind, who: str, why: str, now_ms: int) -> AlarmAction:
    _check(site, alarm, who, why)
    own = by_alarm(records.last_alarm_actions(_place(site))).get(alarm, [])
    # Each pair on its own: a shelf may be ended while the alarm is out of service too.
    pair = [action for action in own if action.kind in (kind, _BEGINS[kind])]
    standing = pair[-1:] if pair and pair[-1].kind != kind else []
    yearly = bool(standing) and bool(standing[0].months)
    if not yearly and mute_of(standing, _zone(site), now_ms) is None:
        raise NotActive(f"{alarm}: there is nothing to end, it is not muted in this way now")
    return _decide(records, site, alarm, kind, who, why, now_ms)


def _decide(
    records: Records,
    site: Site | None,
    alarm: str,
    kind: Kind,
    who: str,
    why: str,
    now_ms: int,
    *,
    until_ms: int | None = None,
    months: tuple[int, ...] = (),
) -> AlarmAction:
    _check(site, alarm, who, why)
    if not why.strip():
        raise ActionRefused("why is empty: whoever comes after wants to know")
    action = AlarmAction(_place(site), alarm, now_ms, kind, who, why, until_ms, months)
    records.append_alarm_action(action)
    return action


def _check(site: Site | None, alarm: str, who: str, text: str) -> None:
    known = [str(known) for known in (INSTALLATION_ALARMS if site is None else alarms_of(site))]
    if alarm not in known:
        raise UnknownAlarm(f"there is no alarm {alarm!r} here: one of {', '.join(known)} is expected")
    if not who.strip() or len(who) > LONGEST_WHO:
        raise ActionRefused(f"who: a name of 1 to {LONGEST_WHO} letters is expected")
    if len(text) > LONGEST_TEXT:
        raise ActionRefused(f"the text is too long: at most {LONGEST_TEXT} letters are kept")


def _place(site: Site | None) -> str:
    return BROKER_SITE if site is None else site.id


def _zone(site: Site | None) -> ZoneInfo:
    return ZoneInfo("UTC") if site is None else site.zone
