"""The forecast: there is none that is fresh, or it does without the weather to come."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from api.alarms.facts import Facts, Finding, Sample, held_ms, unknown
from api.alarms.kinds import AlarmId, AlarmType
from ingest.instants import DAY_MS, HOUR_MS
from ingest.saying import duration, instant, say
from ingest.site import Site

FORECAST_STALE: Final = AlarmType(
    key="forecast-stale",
    title="There is no fresh forecast",
    cause="The forecaster does not run, or has no usable level to begin with.",
    consequence="How long the water lasts and whether it will run over is not known; nobody is warned of either.",
    action="Nothing on site, if its devices are heard. Whoever looks after the server: see that `ullage forecast` "
    "runs, "
    "and read its log.",
    respond_within_h=24,
    priority="medium",
    on_delay_ms=0,  # the age is the delay: see Settings.stale_forecast_s
    off_delay_ms=HOUR_MS,
    bridge_ms=2 * HOUR_MS,
)
OUTLOOK_STALE: Final = AlarmType(
    key="outlook-stale",
    title="The weather outlook is out of date",
    cause="The weather service does not answer, or refuses us.",
    consequence="Forecasts go by an old outlook, then by the season alone: they are less sure of the next days.",
    action="Nothing on site. Whoever looks after the server: read the forecaster's log; it says what the service "
    "answers.",
    respond_within_h=72,
    priority="low",
    on_delay_ms=6 * HOUR_MS,  # services have bad hours
    off_delay_ms=6 * HOUR_MS,
    realarm_ms=7 * DAY_MS,
    bridge_ms=4 * HOUR_MS,
)
TYPES: Final = (FORECAST_STALE, OUTLOOK_STALE)

#: What the forecast calls this input of its own.
_OUTLOOK: Final = "rain outlook"


def alarms(site: Site) -> Iterator[AlarmId]:  # noqa: ARG001 - every site has forecasts
    yield AlarmId(FORECAST_STALE)
    yield AlarmId(OUTLOOK_STALE)


def forecast_stale(alarm: AlarmId, facts: Facts, now_ms: int) -> Finding:
    """Too old, counted from when this process began to watch; a site that never had a forecast has lost none."""
    if facts.forecast_ms is None:
        return unknown("There never was a forecast.")
    limit_ms = facts.settings.stale_forecast_ms
    told = {"issued": instant(facts.forecast_ms)}
    if now_ms - facts.forecast_ms > limit_ms:
        if now_ms - facts.watching_since_ms <= limit_ms:
            return unknown("It may come at any moment: this process has just begun.")
        age = duration(now_ms - facts.forecast_ms)
        return Finding(True, 0, say("The newest forecast is of {issued}, {age} ago.", age=age, **told))
    issued = [Sample(outlook.issued_ms, 1.0) for outlook in facts.outlooks]
    held = held_ms(issued, lambda _: True, alarm.kind.bridge_ms, now_ms)
    return Finding(False, held, say("There are forecasts again; the newest is of {issued}.", **told))


def outlook_stale(alarm: AlarmId, facts: Facts, now_ms: int) -> Finding:
    if facts.forecast_ms is None or not facts.outlooks or now_ms - facts.forecast_ms > facts.settings.stale_forecast_ms:
        return unknown("No fresh forecast.")
    stale = [Sample(outlook.issued_ms, float(_OUTLOOK in outlook.stale)) for outlook in facts.outlooks]
    now = stale[-1].value
    held = held_ms(stale, lambda value: value == now, alarm.kind.bridge_ms, now_ms)
    if now:
        return Finding(
            True, held, say("Forecasts have gone by an old weather outlook for {held}.", held=duration(held))
        )
    return Finding(False, held, say("Forecasts have gone by a fresh outlook again for {held}.", held=duration(held)))


RULES: Final = {FORECAST_STALE.key: forecast_stale, OUTLOOK_STALE.key: outlook_stale}
