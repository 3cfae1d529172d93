"""The daily report: how each site stands, what is wrong, what is being kept quiet, what is over."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from api.alarms.standing import Standing, standings
from api.alarms.types import alarm_id, wording
from api.current import CurrentForecast, SiteState, TankState, read_state
from api.notify import events
from api.notify.compose import Composer
from api.notify.message import Message, message_id
from api.notify.recipients import Recipient
from api.notify.stages import CLEARED, stage_of
from api.settings import Settings
from api.speech import Speaker
from ingest.instants import DAY_MS
from ingest.saying import Saying, chance, day, instant, litres, name, number, said, say, share, volts
from ingest.site import Site
from ingest.store.notifications import Notification
from ingest.store.readings import ReadingStore
from ingest.store.records import Records
from ingest.store.transitions import Transition

#: Events within so many days are told by their chance.
WITHIN_DAYS = 7


@dataclass(frozen=True)
class Report:
    """One site, as it was read at one instant.

    over  alarms that went away since the day before
    """

    site: Site
    state: SiteState
    alarms: Sequence[Standing]
    over: Sequence[Transition]


def read_report(site: Site, readings: ReadingStore, records: Records, now_ms: int, settings: Settings) -> Report:
    """What the report says about a site. Raises StoreUnavailable."""
    over = [entry for entry in records.transitions_since(site.id, now_ms - DAY_MS) if stage_of(entry) == CLEARED]
    return Report(site, read_state(site, readings, records, now_ms, settings), standings(records, site, now_ms), over)


@dataclass(frozen=True)
class Digester:
    """Writes the daily report. report: what is known of a site now."""

    sites: Mapping[str, Site]
    composer: Composer
    report: Callable[[Site, int], Report]

    def digest(self, row: Notification, recipient: Recipient, now_ms: int) -> Message:
        """Everything about the sites of one recipient, the state being that of this attempt."""
        wanted = [site for site in self.sites.values() if recipient.sites is None or site.id in recipient.sites]
        reports = [self.report(site, now_ms) for site in wanted]
        speaker = self.composer.speaker(recipient, "")
        active = sum(standing.active for report in reports for standing in report.alarms)
        subject = speaker.say(_headline(wanted, active, now_ms))
        lines = [subject]
        for report in reports:
            lines += ["", *_section(report, self.composer.speaker(recipient, report.site.id))]
        key = message_id(row)
        data = {"text": subject, "day": row.day, "active": active, "sites": [site.id for site in wanted]}
        event = events.event(key, events.DIGEST, self.composer.page or "/", now_ms, data)
        return Message(key, subject, "\n".join([*lines, *self.composer.foot("", speaker)]), event)


def _headline(sites: Sequence[Site], active: int, now_ms: int) -> Saying:
    when = day(now_ms)
    if len(sites) == 1:
        place = name(sites[0].name)
        if active:
            return say("{place}, {day}: {count} active", place=place, day=when, count=number(active))
        return say("{place}, {day}: no alarm", place=place, day=when)
    if active:
        return say(
            "{sites} water sites, {day}: {count} active", sites=number(len(sites)), day=when, count=number(active)
        )
    return say("{sites} water sites, {day}: no alarm", sites=number(len(sites)), day=when)


def _section(report: Report, speaker: Speaker) -> list[str]:
    active = [standing for standing in report.alarms if standing.active and standing.mute is None]
    quiet = [standing for standing in report.alarms if standing.mute is not None and not standing.folded_under]
    lines = [report.site.name]
    lines += [f"• {speaker.say(_standing(standing))}" for standing in active]
    lines += [f"• {speaker.say(_muted(standing))}" for standing in quiet]
    lines += [f"• {speaker.say(_over(entry, report.site))}" for entry in report.over]
    if not active:
        lines.append(speaker.say(say("No alarm is active.")))
    lines += [speaker.say(_tank(tank)) for tank in report.state.tanks]
    if report.site.battery is not None:
        lines.append(speaker.say(_battery(report.state)))
    lines.append(speaker.say(_chances(report.state.forecast)))
    return lines


def _standing(standing: Standing) -> Saying:
    since = instant(standing.raised_ms or 0)
    title = said([standing.wording.title])
    if standing.state == "acknowledged" and standing.last is not None:
        return say(
            "{title}, since {since}; {who} has it in hand.", title=title, since=since, who=name(standing.last.who)
        )
    return say(
        "{title}, since {since}; nobody has acknowledged it. {action}",
        title=title, since=since, action=said([standing.wording.action]),
    )  # fmt: skip


def _muted(standing: Standing) -> Saying:
    mute, title = standing.mute, said([standing.wording.title])
    assert mute is not None  # noqa: S101 - only such come here
    if mute.until_ms is not None:
        return say(
            "Shelved by {who} until {until}: {title} ({why})",
            who=name(mute.who), until=instant(mute.until_ms), title=title, why=name(mute.why),
        )  # fmt: skip
    return say("Kept quiet by {who}: {title} ({why})", who=name(mute.who), title=title, why=name(mute.why))


def _over(entry: Transition, site: Site) -> Saying:
    alarm = alarm_id(entry.alarm)
    title = name(entry.alarm) if alarm is None else said([wording(alarm, site).title])
    return say("Over since {when}: {title}", when=instant(entry.time_ms), title=title)


def _tank(tank: TankState) -> Saying:
    which = name(tank.tank.id)
    if tank.level is None or tank.level.reading is None or tank.share is None or tank.usable_l is None:
        return say("Tank {tank}: nothing has ever been heard of its level.", tank=which)
    when, full, usable = instant(tank.level.reading.time_ms), share(tank.share), litres(tank.usable_l)
    if tank.level.stale:
        return say(
            "Tank {tank}: not heard since {when}. It was {share} full then, {usable} could be drawn.",
            tank=which, when=when, share=full, usable=usable,
        )  # fmt: skip
    return say(
        "Tank {tank}: {share} full, {usable} can be drawn, measured {when}.",
        tank=which, when=when, share=full, usable=usable,
    )  # fmt: skip


def _battery(state: SiteState) -> Saying:
    value = state.measuring("battery.voltage")
    if value is None or value.reading is None:
        return say("Battery: nothing has ever been heard of its voltage.")
    voltage, when = volts(value.reading.value), instant(value.reading.time_ms)
    if value.stale:
        return say("Battery: not heard since {when}, {voltage} then.", when=when, voltage=voltage)
    return say("Battery: {voltage}, measured {when}.", when=when, voltage=voltage)


def _chances(current: CurrentForecast | None) -> Saying:
    if current is None:
        return say("There is no forecast yet.")
    forecast = current.forecast
    made = instant(forecast.issued_ms)
    if current.stale or len(forecast.runs_out.by_day) < WITHIN_DAYS:
        return say("The forecast of {made} is out of date: do not rely on it.", made=made)
    return say(
        "Within {days} days: that the rain water runs out, {empty}; that a tank runs over, {full}. Forecast of {made}.",
        days=number(WITHIN_DAYS), made=made,
        empty=chance(forecast.runs_out.by_day[WITHIN_DAYS - 1]),
        full=chance(forecast.overflows.by_day[WITHIN_DAYS - 1]),
    )  # fmt: skip
