"""The alarm types, and every number that decides about an alarm.

Each type says what it means to the person it wakes: cause, consequence, what to do, how long
there is, and how urgent it is. The figures are this project's own choices unless a source stands
beside them; a site sets only its thresholds (`low_v`, `low_l`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, NamedTuple

from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS
from ingest.saying import Saying, name, say
from ingest.site import Site

Priority = Literal["high", "medium", "low"]
PRIORITIES: Final[tuple[Priority, ...]] = ("high", "medium", "low")


@dataclass(frozen=True)
class AlarmType:
    """One kind of alarm.

    title         what it says; `{part}` is the tank or device
    on_delay_ms   the condition must have held so long before it is raised [ms]
    off_delay_ms  and must have been gone so long before it is cleared [ms]
    realarm_ms    acknowledged, and still so after this long, it is announced again [ms]
    bridge_ms     longest silence across which "held" and "gone" are taken on trust; a longer gap
                  starts the count anew [ms]
    deadband      how far past the threshold the value must go back, in the unit named beside it
    action_with_backup  what to do where there is a backup supply; empty: the same
    """

    key: str
    title: str
    cause: str
    consequence: str
    action: str
    respond_within_h: float
    priority: Priority
    on_delay_ms: int
    off_delay_ms: int
    realarm_ms: int
    bridge_ms: int
    deadband: float
    deadband_unit: str
    action_with_backup: str = ""


BATTERY_LOW: Final = AlarmType(
    key="battery-low",
    title="Battery is low",
    cause="Little sun, a dirty or shaded panel, a pump that runs too long, or an ageing battery.",
    consequence="At the cut-off voltage the pump stops, and then the telemetry. A lead-acid battery left flat is "
    "damaged.",
    action="Pump less until it recovers. If the sun has been good, have the panel, the fuse and the terminals looked "
    "at by somebody trained for batteries: acid, short circuit and hydrogen can hurt.",
    respond_within_h=24,
    priority="medium",
    on_delay_ms=30 * MINUTE_MS,  # longer than a pump's run, whose load pulls the voltage down
    off_delay_ms=24 * HOUR_MS,  # one turn of sun and night: a weak battery is well every noon
    realarm_ms=3 * DAY_MS,
    bridge_ms=3 * HOUR_MS,  # shorter than a night, in which a weak battery falls silent
    deadband=0.05,
    deadband_unit="V",
)
TANK_LOW: Final = AlarmType(
    key="tank-low",
    title="Tank {part} is low",
    cause="More drawn than rained, a tap left open, a leak, or a blocked gutter or inlet.",
    consequence="Soon no rain water can be drawn from this tank.",
    action="Draw less. Look for an open tap or a leak.",
    action_with_backup="Draw less. Look for an open tap or a leak. Make ready to change over to the backup supply.",
    respond_within_h=24,
    priority="medium",
    on_delay_ms=30 * MINUTE_MS,
    off_delay_ms=6 * HOUR_MS,
    realarm_ms=3 * DAY_MS,
    bridge_ms=2 * HOUR_MS,
    deadband=0.1,
    deadband_unit="of low_l",
)
OVERFLOW_NOW: Final = AlarmType(
    key="overflow-now",
    title="Tank {part} is at its brim",
    cause="More rain than room.",
    consequence="Whatever runs in now runs over, and can wash out the ground below the overflow.",
    action="Look whether the overflow runs along its proper way, and keep off soft ground.",
    action_with_backup="Close the backup supply if it is open. Look whether the overflow runs along its proper way, "
    "and keep off soft ground.",
    respond_within_h=4,
    priority="medium",
    on_delay_ms=10 * MINUTE_MS,
    off_delay_ms=6 * HOUR_MS,  # showers come in groups
    realarm_ms=DAY_MS,
    bridge_ms=2 * HOUR_MS,
    deadband=0.03,
    deadband_unit="m",
)
EMPTY_PREDICTED: Final = AlarmType(
    key="empty-predicted",
    title="Tank {part} is likely to run out",
    cause="At the present use, the rain to come is unlikely to keep up.",
    consequence="No rain water can be drawn until it rains.",
    action="Save water.",
    action_with_backup="Save water, and plan the change-over to the backup supply: have an air gap or a listed "
    "backflow preventer between the supplies, fitted by a licensed plumber.",
    respond_within_h=72,
    priority="low",
    on_delay_ms=HOUR_MS,  # every forecast of an hour agrees
    off_delay_ms=24 * HOUR_MS,
    realarm_ms=7 * DAY_MS,
    bridge_ms=6 * HOUR_MS,
    deadband=0.15,
    deadband_unit="of probability",
)
OVERFLOW_PREDICTED: Final = AlarmType(
    key="overflow-predicted",
    title="Tank {part} is likely to run over",
    cause="More rain is coming than the tank has room for.",
    consequence="Water runs over the brim, is lost, and can wash out the ground below the overflow.",
    action="Use water now where it does good. See that the overflow and its way are clear.",
    respond_within_h=24,
    priority="low",
    on_delay_ms=HOUR_MS,
    off_delay_ms=24 * HOUR_MS,
    realarm_ms=3 * DAY_MS,
    bridge_ms=6 * HOUR_MS,
    deadband=0.2,
    deadband_unit="of probability",
)
NOTHING_HEARD: Final = AlarmType(
    key="nothing-heard",
    title="Readings missing from {part}",
    cause="No power at the device, no radio link, a broken sensor, or a flat battery.",
    consequence="Levels, forecasts and alarms for this part of the site are blind until it is heard again.",
    action="Check the device's power and link. Until then, have somebody on site read the level.",
    respond_within_h=24,
    priority="medium",
    on_delay_ms=0,  # the silence itself is the delay: see Settings.stale_after_ms
    off_delay_ms=HOUR_MS,
    realarm_ms=3 * DAY_MS,
    bridge_ms=0,
    deadband=0.0,
    deadband_unit="none",
)

BROKER_DROPPING: Final = AlarmType(
    key="broker-dropping",
    title="The broker drops messages",
    cause="More messages wait than the broker may keep: the collector was away for long, or it may keep too few.",
    consequence="Readings that devices believe delivered are lost.",
    action="See that the collector runs. Compare the broker's settings with deploy/mosquitto/mosquitto.conf, or use "
    "the bundled broker, which refuses what it cannot keep.",
    respond_within_h=4,
    priority="medium",
    on_delay_ms=0,  # each one is a loss
    off_delay_ms=24 * HOUR_MS,
    realarm_ms=DAY_MS,
    bridge_ms=0,
    deadband=0.0,
    deadband_unit="none",
)

ALARM_TYPES: Final = {
    kind.key: kind
    for kind in (
        BATTERY_LOW, TANK_LOW, OVERFLOW_NOW, EMPTY_PREDICTED, OVERFLOW_PREDICTED, NOTHING_HEARD, BROKER_DROPPING
    )
}  # fmt: skip

#: A tank counts as being at its brim this far below it, or twice its sensor's noise if that is more. [m]
BRIM_TOLERANCE_M: Final = 0.01
#: Predicted alarms: the probability of the event within so many days.
EMPTY_WITHIN_DAYS: Final = 7
EMPTY_PROBABILITY: Final = 0.5
OVERFLOW_WITHIN_DAYS: Final = 3
OVERFLOW_PROBABILITY: Final = 0.6


class AlarmId(NamedTuple):
    """One alarm of a site: a type, and the tank or device it is about."""

    kind: AlarmType
    part: str = ""

    def __str__(self) -> str:
        return f"{self.kind.key}:{self.part}" if self.part else self.kind.key

    @property
    def title(self) -> str:
        """What it says, in English."""
        return self.kind.title.format(part=self.part)


#: The alarms that belong to no site.
INSTALLATION_ALARMS: Final = (AlarmId(BROKER_DROPPING),)


class Wording(NamedTuple):
    """What an alarm says to whom it wakes, to be spoken in any language."""

    title: Saying
    cause: Saying
    consequence: Saying
    action: Saying


def wording(alarm: AlarmId, site: Site | None) -> Wording:
    """The words of an alarm at a site; one without a backup supply is not told to open it."""
    kind = alarm.kind
    title = say(kind.title, part=name(alarm.part)) if "{part}" in kind.title else say(kind.title)
    backup = site is not None and site.backup is not None
    action = kind.action_with_backup if backup and kind.action_with_backup else kind.action
    return Wording(title, say(kind.cause), say(kind.consequence), say(action))


def alarms_of(site: Site) -> list[AlarmId]:
    """Every alarm that a site can raise, in the order of the site file."""
    alarms = []
    if site.battery is not None and site.sensors_of("battery.voltage"):
        alarms.append(AlarmId(BATTERY_LOW))
    drawn_from = {draw.tank for draw in site.draw}
    for tank in site.tank:
        measured = bool(site.sensors_of(f"tank.{tank.id}.level"))
        if measured and tank.low_l is not None:
            alarms.append(AlarmId(TANK_LOW, tank.id))
        # What runs over into the next tank is not lost and washes nothing away.
        leaves = tank.overflow_to is None
        if measured and leaves:
            alarms.append(AlarmId(OVERFLOW_NOW, tank.id))
        if tank.id in drawn_from:
            alarms.append(AlarmId(EMPTY_PREDICTED, tank.id))
        if leaves:
            alarms.append(AlarmId(OVERFLOW_PREDICTED, tank.id))
    devices = dict.fromkeys(sensor.device for sensor in site.sensor)
    return alarms + [AlarmId(NOTHING_HEARD, device) for device in devices]


def alarm_id(text: str) -> AlarmId | None:
    """The alarm a record names, `TYPE` or `TYPE:PART`; None: a type that no longer exists."""
    key, _, part = text.partition(":")
    kind = ALARM_TYPES.get(key)
    return None if kind is None else AlarmId(kind, part)
