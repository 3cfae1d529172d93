"""What a message says: to a person in a lock screen's line and a short text, to a program as an event."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final
from zoneinfo import ZoneInfo

from api.alarms.kinds import BackupStands
from api.alarms.lifecycle import ACTIVE
from api.alarms.types import PRIORITIES, AlarmId, Priority, Wording, alarm_id, wording
from api.languages.language import ENGLISH, language
from api.notify import events
from api.notify.message import Message, bundle_id, message_id
from api.notify.policy import priority_of
from api.notify.recipients import Recipient
from api.notify.stages import CLEARED, RAISED, stage_of
from api.speech import Speaker
from ingest.instants import HOUR_MS
from ingest.saying import Figure, Saying, duration, instant, name, number, said, say
from ingest.site import Site
from ingest.store.notifications import Notification
from ingest.store.transitions import Transition
from ingest.watch import BROKER_SITE

PRIORITY_WORDS: Final[dict[Priority, Saying]] = {"high": say("high"), "medium": say("medium"), "low": say("low")}
_FOOT: Final = say(
    "Ullage watches and advises; it opens and closes nothing. Local rules come first. Work on roofs, in tanks and on "
    "batteries is for people trained for it."
)


def _not_known(_: Site) -> BackupStands | None:
    return None


@dataclass(frozen=True)
class Composer:
    """Writes messages about these sites.

    page    address of the page, with a slash at its end; empty: not known
    backup  whether the backup supply of a site is open; None: not known
    """

    sites: Mapping[str, Site]
    page: str = ""
    backup: Callable[[Site], BackupStands | None] = _not_known

    def speaker(self, recipient: Recipient | None, site: str) -> Speaker:
        """Speaks a recipient's language in a site's time; None: the log, in English."""
        place = self.sites.get(site)
        own = ZoneInfo("UTC") if recipient is None else recipient.zone
        spoken = ENGLISH if recipient is None else language(recipient.language)
        return Speaker(own if place is None else place.zone, spoken)

    def alarm(self, row: Notification, recipient: Recipient | None, earlier: str = "") -> Message:
        """About one transition, or that nobody has acknowledged it. earlier: id of the message of its beginning."""
        about = row.transition
        assert about is not None  # noqa: S101 - such rows have one
        key, speaker, escalated = message_id(row), self.speaker(recipient, about.site), row.kind == "escalation"
        subject = speaker.say(self._headline(about, escalated=escalated))
        line = f"{subject}. {speaker.say(about.said or about.reason)}"
        source = self._link(about.site) or f"/sites/{about.site}"
        event = events.alarm_event(
            key, about, self._words(about), self._place(about.site), source, line, escalated=escalated
        )
        high = priority_of(about) == "high" and stage_of(about) == RAISED
        text = "\n".join(self._lines(about, speaker, escalated=escalated))
        return Message(key, subject, text, event, high, earlier)

    def bundle(self, rows: Sequence[Notification], recipient: Recipient) -> Message:
        """Several in one, the most urgent first."""
        about = sorted((row.transition for row in rows if row.transition is not None), key=_urgency)
        sites = list(dict.fromkeys(entry.site for entry in about))
        speaker, count = self.speaker(recipient, sites[0]), number(len(about))
        if len(sites) == 1:
            headline = say("{count} alarm messages at once – {place}", count=count, place=self._where(sites[0]))
        else:
            headline = say("{count} alarm messages at once – {sites} sites", count=count, sites=number(len(sites)))
        subject = speaker.say(headline)
        intro = say("So many came at once that they are listed here, the most urgent first.")
        lines = [subject, "", speaker.say(intro), ""]
        for entry in about:
            lines += self._item(entry, self.speaker(recipient, entry.site))
        key = bundle_id([message_id(row) for row in rows])
        inner = [self.alarm(row, recipient).event for row in rows]
        event = events.bundle_event(key, self.page or "/", inner, subject)
        text = "\n".join([*lines, *self.foot("", speaker)])
        return Message(key, subject, text, event, any(priority_of(entry) == "high" for entry in about))

    def test(self, recipient: Recipient, now_ms: int) -> Message:
        """Tries a channel out."""
        speaker = self.speaker(recipient, "")
        subject = speaker.say(say("Test message from Ullage: nothing is wrong"))
        when = say("Sent {when}. If you can read this, alarms reach you this way.", when=instant(now_ms))
        text = "\n".join([subject, "", speaker.say(when), *self.foot("", speaker)])
        key = f"test_{recipient.name}_{now_ms}"
        event = events.event(key, events.TEST, self.page or "/", now_ms, {"text": subject})
        return Message(key, subject, text, event)

    def _headline(self, about: Transition, *, escalated: bool) -> Saying:
        title, place = self._title(about), self._where(about.site)
        match stage_of(about):
            case "cleared":
                return say("Over: {title} – {place}", title=title, place=place)
            case "closed":
                return say("Closed: {title} – {place}", title=title, place=place)
            case "acknowledged":
                who = name(about.who or "?")
                return say("{who} has it in hand: {title} – {place}", who=who, title=title, place=place)
            case "raised" if escalated:
                return say("Nobody has answered: {title} – {place}", title=title, place=place)
        alarm = alarm_id(about.alarm)
        if about.old in ACTIVE or alarm is None:
            return say("Still so: {title} – {place}", title=title, place=place)
        within = _within(alarm)
        urgent = say("URGENT, act within {within}: {title} – {place}", within=within, title=title, place=place)
        usual = say("Act within {within}: {title} – {place}", within=within, title=title, place=place)
        return urgent if alarm.kind.priority == "high" else usual

    def _lines(self, about: Transition, speaker: Speaker, *, escalated: bool) -> list[str]:
        words, alarm, stage = self._words(about), alarm_id(about.alarm), stage_of(about)
        lines = [speaker.say(self._line(about)), speaker.say(about.said or about.reason)]
        if escalated:
            lines += ["", speaker.say(say("Somebody else was told first, and nobody has acknowledged it since."))]
        if stage == RAISED and words is not None and alarm is not None:
            within = _within(alarm)
            action, consequence, cause = said([words.action]), said([words.consequence]), said([words.cause])
            lines += [
                "",
                speaker.say(say("What to do, within {within}: {action}", within=within, action=action)),
                speaker.say(say("Otherwise: {consequence}", consequence=consequence)),
                speaker.say(say("Likely cause: {cause}", cause=cause)),
                speaker.say(say("Priority: {priority}.", priority=said([PRIORITY_WORDS[alarm.kind.priority]]))),
            ]
        if stage == CLEARED:
            lines += ["", speaker.say(say("There is nothing more to do about it, unless it comes back."))]
        return lines + self.foot(about.site, speaker)

    def _item(self, entry: Transition, speaker: Speaker) -> list[str]:
        lines = [f"• {speaker.say(self._line(entry))}", f"  {speaker.say(entry.said or entry.reason)}"]
        words = self._words(entry)
        if stage_of(entry) == RAISED and words is not None:
            lines.append(f"  {speaker.say(say('What to do: {action}', action=said([words.action])))}")
        return lines

    def _line(self, about: Transition) -> Saying:
        """`Battery is low. Skerrow Head bird observatory, Wed 25 Nov, 12:04.`"""
        title, place, when = self._title(about), self._where(about.site), instant(about.time_ms)
        match stage_of(about):
            case "cleared":
                return say("Over: {title}. {place}, {when}.", title=title, place=place, when=when)
            case "closed":
                return say("Closed: {title}. {place}, {when}.", title=title, place=place, when=when)
            case "acknowledged":
                return say("Acknowledged: {title}. {place}, {when}.", title=title, place=place, when=when)
        return say("{title}. {place}, {when}.", title=title, place=place, when=when)

    def foot(self, site: str, speaker: Speaker) -> list[str]:
        """Where to see more, and what this is."""
        link = self._link(site)
        see = [speaker.say(say("See, acknowledge or shelve: {link}", link=name(link)))] if link else []
        return ["", *see, speaker.say(_FOOT)]

    def _link(self, site: str) -> str:
        return f"{self.page}sites/{site}" if self.page and site in self.sites else self.page

    def _words(self, about: Transition) -> Wording | None:
        alarm = alarm_id(about.alarm)
        site = self.sites.get(about.site)
        return None if alarm is None else wording(alarm, site, None if site is None else self.backup(site))

    def _title(self, about: Transition) -> Figure:
        words = self._words(about)
        return name(about.alarm) if words is None else said([words.title])

    def _where(self, site: str) -> Figure:
        return name(self._place(site)) if site != BROKER_SITE else said([say("the installation itself")])

    def _place(self, site: str) -> str:
        return self.sites[site].name if site in self.sites else site


def _within(alarm: AlarmId) -> Figure:
    return duration(round(alarm.kind.respond_within_h * HOUR_MS))


def _urgency(entry: Transition) -> tuple[bool, int, int]:
    return (stage_of(entry) != RAISED, PRIORITIES.index(priority_of(entry)), -entry.time_ms)
