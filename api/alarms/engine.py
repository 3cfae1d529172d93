"""The watch: gather facts from the stores, judge, and put every change on record once."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from threading import Event
from typing import Final
from zoneinfo import ZoneInfo

from api.alarms.facts import Finding
from api.alarms.folding import cause_of, causes_first
from api.alarms.gather import Gatherer
from api.alarms.installation import Installation, find_installation
from api.alarms.kinds import AlarmId
from api.alarms.lifecycle import retire, step
from api.alarms.muting import by_alarm, mute_of
from api.alarms.rules import find
from api.alarms.types import INSTALLATION_ALARMS, alarms_of
from api.settings import Settings
from api.speech import Speaker
from ingest.errors import StoreUnavailable
from ingest.site import Site
from ingest.store.readings import ReadingStore
from ingest.store.records import AlarmAction, Records, Transition
from ingest.watch import BROKER_SITE

log = logging.getLogger("ullage.alarms")

INTERVAL_S: Final = 60.0


class AlarmEngine:
    """Watches all sites and the installation; one per records store, or each would raise every alarm.

    channels  who is told: one notification for each transition and channel, in the same commit
    """

    def __init__(
        self,
        sites: Mapping[str, Site],
        readings: ReadingStore,
        records: Records,
        clock: Callable[[], int],
        settings: Settings,
        channels: Sequence[str],
    ) -> None:
        self._sites = sites
        self._readings = readings
        self._records = records
        self._clock = clock
        self._settings = settings
        self._channels = channels
        self._watching_since_ms = clock()
        self._gatherer = Gatherer(readings, records, settings, self._watching_since_ms)
        self._alarms = {site.id: causes_first(alarms_of(site), site) for site in sites.values()}
        #: When reading failed first, and went well first again. [ms]
        self._failing_since_ms: int | None = None
        self._well_since_ms = self._watching_since_ms

    def run(self, stop: Event, interval_s: float = INTERVAL_S) -> None:
        """Watch until told to stop. A store out of reach is waited for; anything else escapes."""
        while not stop.is_set():
            try:
                self.tick()
            except StoreUnavailable as error:
                log.warning("alarms cannot be judged now, trying again in %.0f s: %s", interval_s, error)
            stop.wait(interval_s)

    def tick(self) -> list[Transition]:
        """Judge every alarm of the installation and of every site once; what changed.

        Raises StoreUnavailable: where only the readings are out of reach, once that is on record.
        """
        failure = self._look_at_readings()
        changed = self._record(self._installation_due(self._clock()))
        if failure is not None:
            raise failure
        for site in self._sites.values():
            changed += self._record(self._due(site, self._clock()))
        return changed

    def _look_at_readings(self) -> StoreUnavailable | None:
        try:
            self._readings.ping()
        except StoreUnavailable as error:
            self._failing_since_ms = self._failing_since_ms or self._clock()
            return error
        if self._failing_since_ms is not None:
            self._failing_since_ms, self._well_since_ms = None, self._clock()
        return None

    def _record(self, due: Sequence[Transition]) -> list[Transition]:
        return self._records.append_transitions(due, self._channels) if due else []

    def _due(self, site: Site, now_ms: int) -> list[Transition]:
        previous = self._records.last_transitions(site.id)
        facts = self._gatherer.gather(site, previous, now_ms)
        over_all = self._records.last_transitions(BROKER_SITE)
        alarms = self._alarms[site.id]
        judge = _Judge(site.id, site.zone, previous, self._records.last_alarm_actions(site.id), now_ms)
        for alarm in alarms:
            cause = cause_of(alarm, site, {**over_all, **judge.last})
            judge.step(alarm, find(alarm, facts, now_ms), cause)
        judge.retire(set(map(str, alarms)))
        return judge.due

    def _installation_due(self, now_ms: int) -> list[Transition]:
        at = Installation(
            list(self._sites.values()),
            self._readings,
            self._settings,
            self._watching_since_ms,
            self._failing_since_ms,
            self._well_since_ms,
        )
        previous, actions = self._records.last_transitions(BROKER_SITE), self._records.last_alarm_actions(BROKER_SITE)
        judge = _Judge(BROKER_SITE, ZoneInfo("UTC"), previous, actions, now_ms)
        for alarm in INSTALLATION_ALARMS:
            judge.step(alarm, find_installation(alarm, at, now_ms))
        return judge.due


class _Judge:
    """One round over the alarms of a place: last is what stands on record and what is due so far."""

    def __init__(
        self,
        place: str,
        zone: ZoneInfo,
        previous: Mapping[str, Transition],
        actions: Iterable[AlarmAction],
        now_ms: int,
    ) -> None:
        self.due: list[Transition] = []
        self.last = dict(previous)
        self._place, self._zone, self._now_ms = place, zone, now_ms
        self._actions = by_alarm(actions)
        self._speaker = Speaker(zone)

    def step(self, alarm: AlarmId, finding: Finding, cause: str = "") -> None:
        """Judge one alarm; cause: the active alarm that explains it."""
        name = str(alarm)
        mute = mute_of(self._actions.get(name, ()), self._zone, self._now_ms, cause)
        mark = "" if mute is None else mute.mark
        due = step(self._place, alarm, self.last.get(name), finding, self._now_ms, self._speaker, mark)
        if due is not None:
            self.due.append(due)
            self.last[name] = due

    def retire(self, known: set[str]) -> None:
        """Clear what is active and watched no more."""
        gone = [entry for name, entry in self.last.items() if name not in known]
        self.due += [due for entry in gone if (due := retire(entry, self._now_ms, self._speaker)) is not None]
