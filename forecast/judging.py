"""Judging forecasts beside making them: what is due between two rounds, and what need not be kept any longer."""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from itertools import groupby
from typing import Final

import msgspec

from forecast.cases import LEADS_D
from forecast.model.plan import Plan, plan_of
from forecast.result import Forecast, decode
from forecast.truth import passed, stood
from forecast.verify import LEADS, Came, judge
from ingest.errors import StoreUnavailable
from ingest.instants import DAY_MS, HOUR_MS
from ingest.site import Site
from ingest.store.readings import ReadingStore
from ingest.store.records import Records
from ingest.store.scores import DUE, NO_FORECAST, NO_TRUTH, SCORED, SLOT_MS, ScoreRow, Scores

log = logging.getLogger("ullage.forecast")

#: A truth is looked for so long after its time, since devices send late.
SETTLE_MS: Final = 2 * HOUR_MS
#: Where it is missing or has gaps, again after each of these, up to so long after its time.
AGAIN_MS: Final = 12 * HOUR_MS
LATEST_MS: Final = 5 * DAY_MS
#: Rows judged, sites thinned out, and forecasts of a site let go between two rounds: forecasts must not wait for them.
AT_ONCE: Final = 300
THINNED_AT_ONCE: Final = 10
GONE_AT_ONCE: Final = 500
THIN_EVERY_MS: Final = DAY_MS


class Judging:
    """Notes the first forecast of each site and slot, judges it when the truth has come, and thins out the rest."""

    def __init__(self, sites: Mapping[str, Site], store: ReadingStore, records: Records) -> None:
        self._sites = sites
        self._store = store
        self._records = records
        self._scores = Scores(records)
        self._plans: dict[str, Plan] = {}
        self._slots: dict[str, int] = {}
        self._thinned_ms: dict[str, int] = {}

    def note(self, made: Sequence[Forecast]) -> None:
        """Forecasts just recorded: those that open a slot are to be judged. Raises StoreUnavailable."""
        opening = [forecast for forecast in made if self._slots.get(forecast.site) != forecast.issued_ms // SLOT_MS]
        self._scores.open(
            [
                ScoreRow(forecast.site, forecast.issued_ms, lead_d, DUE, _time_ms(forecast, lead_d) + SETTLE_MS)
                for forecast in opening
                for lead_d in LEADS
            ]
        )
        self._slots |= {forecast.site: forecast.issued_ms // SLOT_MS for forecast in opening}

    def go_on(self, now_ms: int) -> int:
        """Judge some of what is due, and thin out some sites; returns how many rows were looked at."""
        try:
            rows = self._scores.due(self._sites, now_ms, AT_ONCE)
            settled: list[ScoreRow] = []
            for (site, issued_ms), of_one in groupby(sorted(rows), key=lambda row: (row.site, row.issued_ms)):
                settled += self._judged(self._sites[site], issued_ms, list(of_one), now_ms)
            self._scores.settle(settled)
            self._thin(now_ms)
        except StoreUnavailable as error:
            log.warning("forecasts could not be judged: %s", error)
            return 0
        return len(rows)

    def _judged(self, site: Site, issued_ms: int, rows: list[ScoreRow], now_ms: int) -> list[ScoreRow]:
        found = self._records.forecasts(site.id, issued_ms, issued_ms + 1)
        try:
            forecast = decode(found[0]) if found else None
        except msgspec.MsgspecError:
            forecast = None  # of another version of this service
        if forecast is None:
            return [row._replace(state=NO_FORECAST) for row in rows]
        return [self._of_lead(site, forecast, row, now_ms) for row in rows]

    def _of_lead(self, site: Site, forecast: Forecast, row: ScoreRow, now_ms: int) -> ScoreRow:
        came = self._came(site, forecast, row.lead_d)
        if not came.whole and now_ms + AGAIN_MS <= _time_ms(forecast, row.lead_d) + LATEST_MS:
            return row._replace(due_ms=now_ms + AGAIN_MS)
        verdict = judge(forecast, row.lead_d, came)
        known = came.passed is not None or any(came.stood.values())
        return row._replace(
            state=SCORED if known else NO_TRUTH, document=msgspec.json.encode(verdict) if known else b""
        )

    def _came(self, site: Site, forecast: Forecast, lead_d: int) -> Came:
        plan = self._plans.get(site.id) or self._plans.setdefault(site.id, plan_of(site))
        tanks = site.tank if lead_d in LEADS_D else []
        # One hour more, since the issue stands within its first.
        hours = lead_d * 24 + 1
        return Came(
            {tank.id: stood(site, tank, self._store, _time_ms(forecast, lead_d)) for tank in tanks},
            passed(site, plan, self._store, forecast.start_ms, hours),
        )

    def _thin(self, now_ms: int) -> None:
        due = [name for name in self._sites if now_ms - self._thinned_ms.get(name, 0) >= THIN_EVERY_MS]
        for name in due[:THINNED_AT_ONCE]:
            if self._scores.thin(name, now_ms, GONE_AT_ONCE) < GONE_AT_ONCE:
                self._thinned_ms[name] = now_ms


def _time_ms(forecast: Forecast, lead_d: int) -> int:
    """When a lead ends: bands count from the hour of the issue. [UTC ms]"""
    return forecast.start_ms + lead_d * DAY_MS
