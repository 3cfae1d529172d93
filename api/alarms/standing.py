"""How every alarm of a site stands: what API, page and digest show. Reads the records; the judging is pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final
from zoneinfo import ZoneInfo

from api.alarms.backup import stands_by_log
from api.alarms.folding import cause_of
from api.alarms.kinds import BackupStands
from api.alarms.lifecycle import ACTIVE, RESTING, RETURNED, UNACKNOWLEDGED, state_of, was_raised
from api.alarms.muting import Mute, by_alarm, mute_of
from api.alarms.types import INSTALLATION_ALARMS, PRIORITIES, AlarmId, Wording, alarms_of, wording
from ingest.instants import DAY_MS
from ingest.site import Site
from ingest.store.records import AlarmAction, Records, Transition
from ingest.watch import BROKER_SITE

#: So many activations within so long mark an alarm as chattering.
CHATTERING: Final = 3
CHATTERING_WITHIN_MS: Final = DAY_MS


@dataclass(frozen=True)
class Standing:
    """One alarm now.

    state      normal, unacknowledged, acknowledged or returned
    last       its last transition: since when it is so, why, by whom; None: it never was otherwise
    raised_ms  when it was last raised [ms]; None: never
    mute       why nobody is told now; None: all are
    chattering raised three times or more within a day
    note       what was last written down about it
    wording    its title, cause, consequence and action, for this site
    """

    alarm: AlarmId
    state: str
    last: Transition | None
    raised_ms: int | None
    mute: Mute | None
    chattering: bool
    note: AlarmAction | None
    wording: Wording

    @property
    def active(self) -> bool:
        """Its condition holds."""
        return self.state in ACTIVE

    @property
    def folded_under(self) -> str:
        """The alarm that is its cause; empty: it stands for itself."""
        return "" if self.mute is None else self.mute.under

    @property
    def urgency(self) -> tuple[bool, bool, bool, int, int]:
        """Sorts the active, then the unacknowledged, then the loud, then the urgent, then the newest first."""
        since = 0 if self.last is None else self.last.time_ms
        unseen = self.state in (UNACKNOWLEDGED, RETURNED)
        return (
            not self.active,
            not unseen,
            self.mute is not None,
            PRIORITIES.index(self.alarm.kind.priority),
            -since,
        )


def standings(records: Records, site: Site | None, now_ms: int) -> list[Standing]:
    """Every alarm of a site, or of the installation (None), the most urgent first. Raises StoreUnavailable."""
    log = {} if site is None or site.backup is None else records.last_log(site.id)
    return standings_beside(records, site, now_ms, stands_by_log(site, log))


def standings_beside(records: Records, site: Site | None, now_ms: int, backup: BackupStands | None) -> list[Standing]:
    """The same for who knows already whether the backup supply is open."""
    place = BROKER_SITE if site is None else site.id
    last = records.last_transitions(place)
    if site is not None:  # an alarm of the installation may be the cause of one here
        last = {**records.last_transitions(BROKER_SITE), **last}
    actions = records.last_alarm_actions(place)
    raised = records.last_transitions(place, out_of=RESTING, into=(UNACKNOWLEDGED,))
    lately = records.transitions_since(place, now_ms - CHATTERING_WITHIN_MS)
    return stand(site, last, raised, actions, lately, now_ms, backup)


def stand(
    site: Site | None,
    last: Mapping[str, Transition],
    raised: Mapping[str, Transition],
    actions: Iterable[AlarmAction],
    lately: Sequence[Transition],
    now_ms: int,
    backup: BackupStands | None = None,
) -> list[Standing]:
    """The same from what was read.

    last     the last transition of each alarm, those of the installation too
    raised   the last that raised it
    actions  the newest of each kind on each alarm, oldest first
    lately   the transitions of the last day, oldest first
    backup   whether the backup supply is open; None: not known
    """
    zone = ZoneInfo("UTC") if site is None else site.zone
    own = by_alarm(actions)
    found = []
    for alarm in INSTALLATION_ALARMS if site is None else alarms_of(site):
        name = str(alarm)
        on_it = own.get(name, [])
        times = sum(entry.alarm == name and activates(entry) for entry in lately)
        notes = [action for action in on_it if action.kind == "annotate"]
        found.append(
            Standing(
                alarm,
                state_of(last.get(name)),
                last.get(name),
                raised[name].time_ms if name in raised else None,
                mute_of(on_it, zone, now_ms, "" if site is None else cause_of(alarm, site, last)),
                times >= CHATTERING,
                notes[-1] if notes else None,
                wording(alarm, site, backup),
            )
        )
    return sorted(found, key=lambda standing: standing.urgency)


def activates(entry: Transition) -> bool:
    """Whether a transition raises an alarm whose condition did not hold before."""
    return was_raised(entry) and entry.old in RESTING
