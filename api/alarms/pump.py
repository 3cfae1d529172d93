"""The pump: it runs and nothing comes, or it draws so near the outlet that it will suck air."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from api.alarms.facts import Facts, Finding, Sample, held_ms, unknown
from api.alarms.kinds import AlarmId, AlarmType
from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS, SECOND_MS
from ingest.saying import duration, instant, metres, name, say, share
from ingest.site import Draw, Pump, Sensor, Site
from ingest.totals import increments
from ingest.units import MINUTES_PER_HOUR

PUMP_WITHOUT_FLOW: Final = AlarmType(
    key="pump-without-flow",
    title="The pump runs and nothing comes",
    cause="A closed valve, a blocked filter or suction pipe, air in the pump, or a burst line before the meter.",
    consequence="A pump that runs dry is ruined within hours and empties the battery meanwhile.",
    action="Switch the pump off. Look for a closed valve, a blocked filter, water where none should be. Start it again "
    "only when it is primed. Electrical work is for people trained for it.",
    respond_within_h=1,
    priority="high",
    on_delay_ms=10 * MINUTE_MS,  # it takes some minutes to prime
    off_delay_ms=5 * MINUTE_MS,  # it pumps again: one run shows it
    realarm_ms=DAY_MS,
    bridge_ms=30 * MINUTE_MS,
    deadband=0.3,
    deadband_unit="of the pump's flow",
)
PUMP_NEAR_OUTLET: Final = AlarmType(
    key="pump-near-outlet",
    title="The pump draws near the outlet of tank {part}",
    cause="The tank is nearly empty and nothing stops the pump: a float switch or a timer that fails or is missing.",
    consequence="The pump sucks in air and dirt, runs dry, and leaves no water for the taps.",
    action="Switch the pump off and leave the rest of the water to the taps. Have the float switch looked at.",
    action_with_backup="Switch the pump off and leave the rest of the water to the taps. Make ready to change over to "
    "the backup supply. Have the float switch looked at.",
    action_backup_open="Switch the pump off and leave the rest of the water to the taps. By {source} the backup supply "
    "is open already: never have both supplies open together. Have the float switch looked at.",
    respond_within_h=1,
    priority="high",
    on_delay_ms=5 * MINUTE_MS,  # two readings: one may be a wave
    off_delay_ms=6 * HOUR_MS,
    realarm_ms=DAY_MS,
    bridge_ms=30 * MINUTE_MS,
    deadband=0.05,
    deadband_unit="m",
)
TYPES: Final = (PUMP_WITHOUT_FLOW, PUMP_NEAR_OUTLET)

#: It runs when it ran for this share of an interval; less tells too little of its flow.
_RUNS: Final = 0.3
#: Nothing comes below this share of its flow.
_NOTHING: Final = 0.2
#: Near the outlet. [m]
NEAR_M: Final = 0.05


def alarms(site: Site) -> Iterator[AlarmId]:
    """Where it is measured whether the pump runs, and its flow; and the level of the tank it draws from."""
    if site.pump is None:
        return
    pumped = [draw for draw in site.draw if draw.feed == "pumped"]
    if site.sensors_of("pump.running") and pumped and all(_meters(site, draw) for draw in pumped):
        yield AlarmId(PUMP_WITHOUT_FLOW)
    for tank in dict.fromkeys(draw.tank for draw in pumped):
        if site.sensors_of(f"tank.{tank}.level") and _signs(site, tank):
            yield AlarmId(PUMP_NEAR_OUTLET, tank)


def pump_without_flow(alarm: AlarmId, facts: Facts, now_ms: int) -> Finding:
    """Only intervals in which it ran tell anything: a pump that rests is neither well nor ill."""
    sensor, pump = facts.fresh("pump.running", now_ms), facts.site.pump
    if sensor is None or pump is None:
        return unknown("It is not known whether the pump runs.")
    shares = _shares(facts, sensor, pump)
    if not shares or now_ms - shares[-1].time_ms > facts.limit_ms(sensor):
        return unknown("The pump rests.")
    newest, well = shares[-1], _NOTHING + alarm.kind.deadband
    holds = newest.value < _NOTHING
    if not holds and newest.value < well:
        return unknown("Within the deadband: no change.")
    held = held_ms(shares, (lambda s: s < _NOTHING) if holds else (lambda s: s >= well), alarm.kind.bridge_ms, now_ms)
    told = {"share": share(newest.value), "at": instant(newest.time_ms), "held": duration(held)}
    meters = [meter for draw in facts.site.draw if draw.feed == "pumped" for meter in _meters(facts.site, draw)]
    evidence = facts.evidence(sensor, *meters)
    if holds:
        return Finding(
            True, held, say("The pump runs at {at} and gives {share} of its flow, for {held}.", **told), evidence
        )
    return Finding(
        False, held, say("The pump runs at {at} and gives {share} of its flow again, for {held}.", **told), evidence
    )


def pump_near_outlet(alarm: AlarmId, facts: Facts, now_ms: int) -> Finding:
    tank = facts.tank(alarm.part)
    level = facts.fresh(f"tank.{tank.id}.level", now_ms)
    if level is None:
        return unknown("No fresh level.")
    newest, near_m = facts.latest[level.id], tank.outlet_height_m + NEAR_M
    told = {
        "level": metres(newest.value),
        "tank": name(tank.id),
        "at": instant(newest.time_ms),
        "outlet": metres(tank.outlet_height_m),
    }
    samples, bridge_ms = facts.samples(level), max(alarm.kind.bridge_ms, facts.limit_ms(level))
    if newest.value >= near_m + alarm.kind.deadband:
        held = held_ms(samples, lambda h: h >= near_m + alarm.kind.deadband, bridge_ms, now_ms)
        said = say(
            "Level of tank {tank} {level} at {at}, outlet {outlet}: far enough for {held}.", held=duration(held), **told
        )
        return Finding(False, held, said, facts.evidence(level))
    low = [sample for sample in samples if sample.value < near_m]
    runs = [time_ms for sensor in _signs(facts.site, tank.id) for time_ms in _running(facts, sensor)]
    # A level counts where the pump had run shortly before it.
    every_ms = round(level.every_s * SECOND_MS)
    drawing = [sample for sample in low if any(0 <= sample.time_ms - time_ms < every_ms for time_ms in runs)]
    if not drawing or now_ms - drawing[-1].time_ms > facts.limit_ms(level) or newest.value >= near_m:
        return unknown("The pump rests.")
    held = held_ms(drawing, lambda _: True, bridge_ms, now_ms)
    said = say("The pump draws from tank {tank} while its level is {level} at {at}, outlet {outlet}, for {held}.",
               held=duration(held), **told)  # fmt: skip
    return Finding(True, held, said, facts.evidence(level, *_signs(facts.site, tank.id)))


def _meters(site: Site, draw: Draw) -> list[Sensor]:
    return site.sensors_of(f"draw.{draw.id}.total") or site.sensors_of(f"draw.{draw.id}.flow")


def _signs(site: Site, tank: str) -> list[Sensor]:
    """The sensors that show the pump drawing from a tank: where it feeds from several, the meters alone can tell."""
    pumped = [draw for draw in site.draw if draw.feed == "pumped"]
    own = [draw for draw in pumped if draw.tank == tank]
    meters = [meter for draw in own for meter in _meters(site, draw)]
    return meters + (site.sensors_of("pump.running") if len(own) == len(pumped) else [])


def _running(facts: Facts, sensor: Sensor) -> list[int]:
    """When a sensor showed that the pump had run. [UTC ms]"""
    readings = facts.series.get(sensor.id, ())
    if sensor.quantity.counter:
        return [step.end_ms for step in increments(readings) if step.amount > 0]
    return [reading.time_ms for reading in readings if reading.value > 0.05]


def _shares(facts: Facts, sensor: Sensor, pump: Pump) -> list[Sample]:
    """What came through the meters in each interval in which it ran, as a share of the pump's flow."""
    pumped = [draw for draw in facts.site.draw if draw.feed == "pumped"]
    every_ms = round(sensor.every_s * SECOND_MS)
    found = []
    for reading in facts.samples(sensor):
        if reading.value < _RUNS:
            continue
        came = [_delivered_l_min(facts, draw, reading.time_ms - every_ms, reading.time_ms) for draw in pumped]
        if None not in came:
            given = sum(flow for flow in came if flow is not None)
            found.append(Sample(reading.time_ms, given / (pump.flow_l_min * reading.value)))
    return found


def _delivered_l_min(facts: Facts, draw: Draw, start_ms: int, end_ms: int) -> float | None:
    """Mean flow of a draw within an interval, by its meter. [L/min] None: not heard."""
    for meter in _meters(facts.site, draw):
        readings = facts.series.get(meter.id, ())
        if meter.quantity.counter:
            steps = [step for step in increments(readings) if step.start_ms < end_ms and step.end_ms > start_ms]
            if steps:
                span_min = (steps[-1].end_ms - steps[0].start_ms) / MINUTE_MS
                return sum(step.amount for step in steps) / span_min
        else:
            within = [reading.value for reading in readings if start_ms < reading.time_ms <= end_ms]
            if within:
                return sum(within) / len(within) / MINUTES_PER_HOUR
    return None


RULES: Final = {PUMP_WITHOUT_FLOW.key: pump_without_flow, PUMP_NEAR_OUTLET.key: pump_near_outlet}
LOOK_BACK: Final = {
    "pump.running": (PUMP_WITHOUT_FLOW, PUMP_NEAR_OUTLET),
    "draw.*.flow": (PUMP_WITHOUT_FLOW, PUMP_NEAR_OUTLET),
    "draw.*.total": (PUMP_WITHOUT_FLOW, PUMP_NEAR_OUTLET),
    "tank.*.level": (PUMP_NEAR_OUTLET,),
}
