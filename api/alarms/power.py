"""The battery: low now, and likely to reach its cut-off."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from api.alarms.facts import Facts, Finding, Outlook, unknown
from api.alarms.judging import Threshold, judge, predicted
from api.alarms.kinds import AlarmId, AlarmType
from ingest.instants import HOUR_MS, MINUTE_MS
from ingest.reading import Reading
from ingest.saying import Figure, Saying, days, instant, say, share, volts
from ingest.site import Site

BATTERY_LOW: Final = AlarmType(
    key="battery-low",
    title="Battery is low",
    cause="Little sun, a dirty or shaded panel, a pump that runs too long, or a battery that is getting old.",
    consequence="At the cut-off voltage the pump stops, and after it this telemetry. A lead-acid battery left flat is "
    "ruined.",
    action="Pump less until it has recovered. Wipe the panel if you can reach it safely from the ground. If the sun "
    "has "
    "been good, have panel, fuse and terminals looked at by somebody trained for batteries: acid, short circuit and "
    "hydrogen can hurt.",
    # Common practice, no source.
    consequence_lifepo4="At the cut-off voltage the pump stops. Further down the battery's own protection cuts "
    "everything off, this telemetry too. Left flat for months, it is ruined.",
    action_lifepo4="Pump less until it has recovered. Wipe the panel if you can reach it safely from the ground. In "
    "frost, do not charge it: below 0 °C charging does it lasting harm. If the sun has been good, have "
    "panel, fuse, terminals and the battery's protection looked at by somebody trained for such "
    "batteries: a short circuit can burn people and start a fire. Never bridge the protection.",
    respond_within_h=24,
    priority="medium",
    on_delay_ms=30 * MINUTE_MS,  # longer than a pump's run, whose load pulls the voltage down
    off_delay_ms=24 * HOUR_MS,  # one turn of sun and night: a weak battery is well every noon
    bridge_ms=3 * HOUR_MS,  # shorter than a night, in which a weak battery falls silent
    deadband=0.05,
    deadband_unit="V",
)
CUTOFF_PREDICTED: Final = AlarmType(
    key="battery-cutoff-predicted",
    title="Battery is likely to reach its cut-off",
    cause="The sun that is expected will not give back what pump and telemetry take.",
    consequence="The pump stops, whatever it was to water, and this telemetry may go silent too.",
    action="Pump less, or by day only, while the sun shines. Wipe the panel if you can reach it safely from the "
    "ground.",
    respond_within_h=24,
    priority="low",
    on_delay_ms=HOUR_MS,  # every forecast of an hour agrees
    off_delay_ms=24 * HOUR_MS,
    bridge_ms=6 * HOUR_MS,
    deadband=0.2,
    deadband_unit="of probability",
)
TYPES: Final = (BATTERY_LOW, CUTOFF_PREDICTED)

#: Two days: time to pump less.
_CUTOFF: Final = Threshold(days=2, likely=0.5)


def alarms(site: Site) -> Iterator[AlarmId]:
    """Those of a battery whose voltage is measured."""
    if site.battery is not None and site.sensors_of("battery.voltage"):
        yield AlarmId(BATTERY_LOW)
        yield AlarmId(CUTOFF_PREDICTED)


def battery_low(alarm: AlarmId, facts: Facts, now_ms: int) -> Finding:
    sensor, battery = facts.fresh("battery.voltage", now_ms), facts.site.battery
    if sensor is None or battery is None:
        return unknown("No fresh battery voltage.")
    low_v, well_v = battery.low_v, battery.low_v + alarm.kind.deadband

    def says(newest: Reading, holds: bool, held: Figure) -> Saying:
        told = {"now": volts(newest.value), "at": instant(newest.time_ms), "held": held}
        if holds:
            return say("Battery {now} at {at}: below {low} for {held}.", low=volts(low_v), **told)
        return say("Battery {now} at {at}: not below {well} for {held}.", well=volts(well_v), **told)

    return judge(alarm, facts, sensor, now_ms, lambda v: v < low_v, lambda v: v >= well_v, says)


def cutoff_predicted(alarm: AlarmId, facts: Facts, now_ms: int) -> Finding:
    sensor, battery = facts.fresh("battery.voltage", now_ms), facts.site.battery
    if sensor is not None and battery is not None and facts.latest[sensor.id].value <= battery.cutoff_v:
        return unknown("It is at its cut-off already: there is nothing to predict.")

    def says(newest: Outlook, chance: float) -> Saying:
        told = {"days": days(_CUTOFF.days), "chance": share(chance), "issued": instant(newest.issued_ms)}
        return say(
            "Probability that the battery reaches its cut-off within {days}: {chance}, by the forecast of {issued}.",
            **told,
        )

    return predicted(alarm, facts, now_ms, lambda outlook: outlook.cutoff, _CUTOFF, says)


RULES: Final = {BATTERY_LOW.key: battery_low, CUTOFF_PREDICTED.key: cutoff_predicted}
#: How far back readings matter: quantity → the alarms that look back at it.
LOOK_BACK: Final = {"battery.voltage": (BATTERY_LOW,)}
