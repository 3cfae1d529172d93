"""What the rules have in common: a value held against a threshold, and a probability. Pure."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

from api.alarms.facts import Facts, Finding, Outlook, Sample, Test, held_ms, is_lone, unknown
from api.alarms.kinds import AlarmId
from ingest.reading import Reading
from ingest.saying import Figure, Saying, duration
from ingest.site import Sensor
from ingest.store.records import Evidence


def judge(
    alarm: AlarmId,
    facts: Facts,
    sensor: Sensor,
    now_ms: int,
    trips: Test,
    clears: Test,
    says: Callable[[Reading, bool, Figure], Saying],
) -> Finding:
    """Hold a fresh value against its threshold; between `trips` and `clears` lies the deadband.

    A lone value in the deadband after two that trip is noise: it begins no wait anew.
    """
    samples, newest = facts.samples(sensor), facts.latest[sensor.id]
    holds, clear = trips(newest.value), clears(newest.value)
    if not holds and not clear and is_lone(samples, len(samples) - 1, trips):
        holds, newest = True, samples[-2]
    if not holds and not clear:
        return unknown("Within the deadband: no change.")
    bridge_ms = max(alarm.kind.bridge_ms, facts.limit_ms(sensor))
    if holds:
        held = held_ms(samples, trips, bridge_ms, now_ms, lambda value: not clears(value))
    else:
        held = held_ms(samples, clears, bridge_ms, now_ms)
    return Finding(holds, held, says(newest, holds, duration(held)), facts.evidence(sensor))


class Threshold(NamedTuple):
    """An event is likely from this probability on, within so many days."""

    days: int
    likely: float


def predicted(
    alarm: AlarmId,
    facts: Facts,
    now_ms: int,
    event: Callable[[Outlook], Sequence[float] | None],
    threshold: Threshold,
    says: Callable[[Outlook, float], Saying],
) -> Finding:
    """Hold the probability of an event within so many days against what counts as likely."""
    told = [
        (outlook, by_day[min(threshold.days, len(by_day)) - 1])
        for outlook in facts.outlooks
        if not outlook.stale and (by_day := event(outlook))
    ]
    if not told or told[-1][0].issued_ms != facts.outlooks[-1].issued_ms:
        return unknown("No fresh forecast.")
    newest, chance = told[-1]
    if now_ms - newest.issued_ms > facts.settings.stale_forecast_ms:
        return unknown("The newest forecast is too old.")
    unlikely = threshold.likely - alarm.kind.deadband
    holds = chance >= threshold.likely
    if not holds and chance >= unlikely:
        return unknown("Within the deadband: no change.")
    samples = [Sample(outlook.issued_ms, by) for outlook, by in told]
    test = (lambda p: p >= threshold.likely) if holds else (lambda p: p < unlikely)
    held = held_ms(samples, test, alarm.kind.bridge_ms, now_ms)
    evidence = Evidence(f"forecast/{alarm.kind.key}", newest.issued_ms, chance)
    return Finding(holds, held, says(newest, chance), (evidence,))
