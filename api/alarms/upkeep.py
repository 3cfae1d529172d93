"""What somebody has to do now and then: empty a first-flush chamber, and whatever the site file says."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from api.alarms.facts import Facts, Finding, unknown
from api.alarms.history import Floats
from api.alarms.kinds import AlarmId, AlarmType
from ingest.instants import DAY_MS, HOUR_MS, from_datetime
from ingest.saying import day, days, instant, litres, name, say
from ingest.site import Site

FIRST_FLUSH_DUE: Final = AlarmType(
    key="first-flush-due",
    title="The first-flush chamber of roof {part} is full",
    cause="It rained enough to fill it since it was last emptied, and it does not empty itself.",
    consequence="The dirty first water of the next rain goes into the tank.",
    action="Empty the chamber and rinse it before the next rain, then write it down in the site's log. Work from the "
    "ground.",
    respond_within_h=72,
    priority="low",
    on_delay_ms=6 * HOUR_MS,  # not in the middle of the rain
    off_delay_ms=0,
    realarm_ms=14 * DAY_MS,
)
UPKEEP_DUE: Final = AlarmType(
    key="upkeep-due",
    title="Upkeep is due: {part}",
    cause="So many days have gone by since it was last written down as done.",
    consequence="What is not looked after fails in its own time, mostly in the dry season.",
    action="Do it, or have it done by somebody trained for it where it is on a roof, in a tank or at the battery; then "
    "write it down in the site's log.",
    respond_within_h=168,
    priority="low",
    on_delay_ms=0,
    off_delay_ms=0,
    realarm_ms=30 * DAY_MS,
)
TYPES: Final = (FIRST_FLUSH_DUE, UPKEEP_DUE)


def alarms(site: Site) -> Iterator[AlarmId]:
    """A chamber that is emptied by hand, where rain is measured; and each upkeep of the site file."""
    gauge = bool(site.sensors_of("rain.total") or site.sensors_of("rain.rate"))
    for roof in site.roof:
        chamber = roof.first_flush
        by_hand = chamber is not None and chamber.drip_l_h == 0 and chamber.empties_after_dry_h is None
        if gauge and by_hand and chamber is not None and chamber.volume_l > 0:
            yield AlarmId(FIRST_FLUSH_DUE, roof.id)
    for task in site.upkeep:
        yield AlarmId(UPKEEP_DUE, task.id)


def first_flush_due(alarm: AlarmId, facts: Facts, now_ms: int) -> Finding:
    """What ran off the roof since the last emptying, by rain gauge and coefficient."""
    roof = next(roof for roof in facts.site.roof if roof.id == alarm.part)
    history, emptied = facts.history, facts.log.get(("first-flush-emptied", roof.id))
    if history.rain_mm is None or roof.first_flush is None:
        return unknown("No rain is measured.")
    since = 0 if emptied is None else max(0, history.hour(emptied.time_ms) + 1)
    rain_mm = history.rain_mm[since:]
    # Each wet spell wets the roof anew; a day without rain dries it.
    off_mm = history.once(("off", roof.id, since), lambda: np.cumsum(_after_wetting(rain_mm, roof.wetting_loss_mm)))
    ran_l = roof.plan_area_m2 * roof.runoff_coefficient * off_mm
    full = np.flatnonzero(ran_l >= roof.first_flush.volume_l)
    told = {"roof": name(roof.id), "volume": litres(roof.first_flush.volume_l)}
    if len(full):
        filled_ms = history.start_ms + (since + int(full[0]) + 1) * HOUR_MS
        said = say(
            "By the rain, the {volume} chamber of roof {roof} was full by {filled}.", filled=instant(filled_ms), **told
        )
        return Finding(True, max(0, now_ms - filled_ms), said)
    if emptied is None or since == 0:
        return unknown("It is not known when it was last emptied.")
    said = say(
        "The {volume} chamber of roof {roof} was emptied at {emptied}.", emptied=instant(emptied.time_ms), **told
    )
    return Finding(False, now_ms - emptied.time_ms, said)


def upkeep_due(alarm: AlarmId, facts: Facts, now_ms: int) -> Finding:
    """Counted from the last entry of the site's log, else from the commissioning; without either nobody knows."""
    task = next(task for task in facts.site.upkeep if task.id == alarm.part)
    done, commissioned = facts.log.get(("upkeep", task.id)), facts.site.commissioned
    if done is None and commissioned is None:
        return unknown("It was never written down, and when the site was commissioned is not known.")
    last_ms = done.time_ms if done is not None else from_datetime(commissioned) if commissioned is not None else 0
    due_ms = last_ms + round(task.every_days * DAY_MS)
    told = {"task": name(task.id), "last": day(last_ms), "every": days(round(task.every_days))}
    if now_ms < due_ms:
        return Finding(
            False, now_ms - last_ms, say("{task} was done on {last}; it is due again after {every}.", **told)
        )
    if done is None:
        return Finding(
            True, now_ms - due_ms, say("{task} is due every {every}; the site was commissioned on {last}.", **told)
        )
    return Finding(True, now_ms - due_ms, say("{task} is due every {every}; it was last done on {last}.", **told))


def _after_wetting(rain_mm: Floats, loss_mm: float) -> Floats:
    """Rain by the hour less what the dry roof holds back at the start of each spell. Unknown hours count as dry."""
    out, wet, dry_h = [], 0.0, 0
    for mm in np.nan_to_num(rain_mm):
        dry_h = 0 if mm > 0 else dry_h + 1
        if dry_h >= 24:
            wet = 0.0
        held = min(mm, loss_mm - wet)
        wet += held
        out.append(mm - held)
    return np.array(out)


RULES: Final = {FIRST_FLUSH_DUE.key: first_flush_due, UPKEEP_DUE.key: upkeep_due}
