"""Which forecasts are to be judged, when, and what the judgement was; and which forecasts are kept for how long.

A row a forecast and lead: written as due when the forecast is issued, settled once when the truth
has come. What the judgement says is a document of `forecast.verify`.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Final, NamedTuple

import sqlalchemy as sa

from ingest.instants import DAY_MS, HOUR_MS
from ingest.store.records import Records
from ingest.store.schema import forecast, lock, score

#: States of a row: waiting for its truth; judged; the truth never came; the forecast cannot be read any more.
DUE: Final = "due"
SCORED: Final = "scored"
NO_TRUTH: Final = "no truth"
NO_FORECAST: Final = "no forecast"
#: One forecast is judged of those issued in each such stretch of UTC, the first.
SLOT_MS: Final = 6 * HOUR_MS
#: How long all forecasts are kept; then the first of each slot, until all of it has been judged;
#: then the first of each UTC day; then none. Judgements stay as long as the last of them.
ALL_DAYS: Final = 14
SLOTS_DAYS: Final = 30
DAILY_DAYS: Final = 800


class ScoreRow(NamedTuple):
    """One forecast and lead. `due_ms`: when to look for its truth; `document`: empty until it is scored."""

    site: str
    issued_ms: int
    lead_d: int
    state: str
    due_ms: int
    document: bytes = b""


class Scores:
    """The judgements in the records store. Every method raises StoreUnavailable while it cannot be used."""

    def __init__(self, records: Records) -> None:
        self._records = records

    def open(self, rows: Sequence[ScoreRow]) -> None:
        """Note what is to be judged. Of a site and slot that have rows already, none is added."""
        if not rows:
            return
        sites, first_ms = {row.site for row in rows}, min(row.issued_ms for row in rows) // SLOT_MS * SLOT_MS
        known = sa.select(score.c.site, score.c.issued_ms).where(score.c.site.in_(sites), score.c.issued_ms >= first_ms)
        with self._records.transaction() as connection:
            lock(connection)
            there = {(site, issued_ms // SLOT_MS) for site, issued_ms in connection.execute(known)}
            new = [row._asdict() for row in rows if (row.site, row.issued_ms // SLOT_MS) not in there]
            if new:
                connection.execute(sa.insert(score), new)

    def due(self, sites: Collection[str], now_ms: int, limit: int) -> list[ScoreRow]:
        """What may be judged by now, the longest waiting first."""
        wanted = sa.select(*_COLUMNS).where(score.c.state == DUE, score.c.due_ms <= now_ms, score.c.site.in_(sites))
        with self._records.transaction() as connection:
            return [ScoreRow(*row) for row in connection.execute(wanted.order_by(score.c.due_ms).limit(limit))]

    def settle(self, rows: Sequence[ScoreRow]) -> None:
        """Keep what came of rows that were due: state, document, and when to look again. A settled row stays."""
        if not rows:
            return
        changed = (
            sa.update(score)
            .where(
                score.c.site == sa.bindparam("of_site"),
                score.c.issued_ms == sa.bindparam("of_ms"),
                score.c.lead_d == sa.bindparam("of_d"),
                score.c.state == DUE,
            )
            .values(state=sa.bindparam("to"), due_ms=sa.bindparam("at_ms"), document=sa.bindparam("said"))
        )
        values = [dict(zip(("of_site", "of_ms", "of_d", "to", "at_ms", "said"), row, strict=True)) for row in rows]
        with self._records.transaction() as connection:
            connection.execute(changed, values)

    def of(self, site: str, start_ms: int, end_ms: int) -> list[ScoreRow]:
        """The rows of a site's forecasts issued in `[start_ms, end_ms)`, oldest first."""
        wanted = sa.select(*_COLUMNS).where(
            score.c.site == site, score.c.issued_ms >= start_ms, score.c.issued_ms < end_ms
        )
        with self._records.transaction() as connection:
            return [ScoreRow(*row) for row in connection.execute(wanted.order_by(score.c.issued_ms, score.c.lead_d))]

    def thin(self, site: str, now_ms: int, limit: int) -> int:
        """Let go of a site's forecasts and judgements that need not be kept; at most `limit` forecasts at once."""
        with self._records.transaction() as connection:
            gone = 0
            for from_days, to_days, every_ms in ((SLOTS_DAYS, DAILY_DAYS, DAY_MS), (ALL_DAYS, SLOTS_DAYS, SLOT_MS)):
                places = _superfluous(site, now_ms - to_days * DAY_MS, now_ms - from_days * DAY_MS, every_ms)
                gone += connection.execute(
                    sa.delete(forecast).where(forecast.c.id.in_(places.limit(max(0, limit - gone))))
                ).rowcount
            oldest_ms = now_ms - DAILY_DAYS * DAY_MS
            for table in (forecast, score):
                connection.execute(sa.delete(table).where(table.c.site == site, table.c.issued_ms < oldest_ms))
        return gone


_COLUMNS: Final = tuple(score.c[name] for name in ScoreRow._fields)


def _superfluous(site: str, start_ms: int, end_ms: int, every_ms: int) -> sa.Select[tuple[int]]:
    """Ids of the forecasts issued in `[start_ms, end_ms)` that are not the first of their stretch of UTC."""
    first = sa.func.min(forecast.c.issued_ms).over(partition_by=forecast.c.issued_ms // every_ms)
    inner = (
        sa.select(forecast.c.id, forecast.c.issued_ms, first.label("first_ms"))
        .where(
            forecast.c.site == site,
            forecast.c.issued_ms >= start_ms // every_ms * every_ms,
            forecast.c.issued_ms < end_ms // every_ms * every_ms,
        )
        .subquery()
    )
    return sa.select(inner.c.id).where(inner.c.issued_ms > inner.c.first_ms).order_by(inner.c.issued_ms)
