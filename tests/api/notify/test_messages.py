"""What people read: what it is, where, since when, what to do; in a line for the lock screen, and in their language."""

from __future__ import annotations

import re

import pytest

from api.alarms.types import ALARM_TYPES
from api.notify.channels import LogChannel
from api.notify.compose import Composer
from api.notify.recipients import Recipient
from ingest.saying import say, volts
from ingest.site import Site
from ingest.watch import BROKER_SITE
from tests.api.fakes import NOW_MS
from tests.api.notify.conftest import person, raised, row_about

PAGE = "https://tank.skerrow.example/"


@pytest.fixture
def composer(sites: dict[str, Site]) -> Composer:
    return Composer(sites, PAGE)


@pytest.mark.parametrize("kind", ALARM_TYPES.values(), ids=ALARM_TYPES)
@pytest.mark.parametrize("language", ["en", "es"])
def test_every_alarm_says_what_to_do_and_by_when(composer: Composer, kind: object, language: str) -> None:
    from api.alarms.types import AlarmType

    assert isinstance(kind, AlarmType)
    alarm = f"{kind.key}:main" if "{part}" in kind.title else kind.key
    message = composer.alarm(row_about(raised(alarm=alarm)), person(language=language))
    # A phone's lock screen shows some forty characters of a subject at once (common practice, no source):
    # when to act and the beginning of what has happened stand within them.
    assert re.match(r"(URGENT, act|Act) within \d+ |(URGENTE, actúe|Actúe) antes de \d+ ", message.subject)
    assert message.subject.index(": ") < 40
    assert len(message.subject) < 140
    assert "600 L can be drawn" in message.text
    assert ("What to do, within" if language == "en" else "Qué hacer, antes de") in message.text
    assert f"{PAGE}sites/skerrow-head" in message.text
    assert max(map(len, message.text.splitlines())) < 400


def test_a_message_is_read_aloud(composer: Composer) -> None:
    reason = say("Battery {now}: below {low}.", now=volts(11.93), low=volts(12))
    message = composer.alarm(row_about(raised(alarm="battery-low", said=reason)), person())
    assert message.subject == "Act within 24 hours: Battery is low – Skerrow Head bird observatory"
    assert message.text.startswith(
        "Battery is low. Skerrow Head bird observatory, Wed 25 Nov, 12:04.\n"
        "Battery 11.93 V: below 12.00 V.\n\n"
        f"What to do, within 24 hours: {ALARM_TYPES['battery-low'].action}\nOtherwise: "
    )
    assert "acid, short circuit and hydrogen" in message.text
    assert message.text.endswith("Work on roofs, in tanks and on batteries is for people trained for it.")


def test_urgency_of_a_high_alarm_comes_first(composer: Composer, monkeypatch: pytest.MonkeyPatch) -> None:
    import dataclasses

    high = dataclasses.replace(ALARM_TYPES["battery-low"], priority="high", respond_within_h=3)
    monkeypatch.setitem(ALARM_TYPES, "battery-low", high)
    message = composer.alarm(row_about(raised(alarm="battery-low")), person())
    assert message.subject.startswith("URGENT, act within 3 hours: Battery is low")
    assert message.high


@pytest.mark.parametrize(
    ("old", "new", "subject"),
    [
        ("unacknowledged", "returned", "Over: Tank main is low – Skerrow Head bird observatory"),
        ("acknowledged", "normal", "Over: Tank main is low – Skerrow Head bird observatory"),
        ("returned", "normal", "Closed: Tank main is low – Skerrow Head bird observatory"),
        ("unacknowledged", "acknowledged", "Ann has it in hand: Tank main is low – Skerrow Head bird observatory"),
        ("acknowledged", "unacknowledged", "Still so: Tank main is low – Skerrow Head bird observatory"),
        ("returned", "unacknowledged", "Act within 24 hours: Tank main is low – Skerrow Head bird observatory"),
    ],
)
def test_what_becomes_of_it(composer: Composer, old: str, new: str, subject: str) -> None:
    message = composer.alarm(row_about(raised(old=old, new=new, who="Ann")), person())
    assert message.subject == subject
    assert not message.high


def test_times_are_those_of_the_site(composer: Composer) -> None:
    summer = composer.alarm(row_about(raised(time_ms=NOW_MS + 200 * 86_400_000)), person(timezone="Asia/Tokyo"))
    assert "13:04." in summer.text.splitlines()[0]


def test_spanish_for_whom_reads_spanish(composer: Composer) -> None:
    message = composer.alarm(row_about(raised(new="returned", old="unacknowledged")), person(language="es"))
    assert message.subject.startswith("Terminada: ")
    assert "No hay nada más que hacer" in message.text
    assert message.event["data"]["priority"] == "medium"  # what programs read stays English


def test_an_alarm_that_no_longer_exists_is_told_all_the_same(composer: Composer) -> None:
    message = composer.alarm(row_about(raised(alarm="moss-on-roof", site="old-place")), person())
    assert message.subject == "Still so: moss-on-roof – old-place"
    assert "600 L" in message.text


def test_an_alarm_of_the_installation_is_of_no_site(composer: Composer) -> None:
    message = composer.alarm(row_about(raised(alarm="broker-dropping", site=BROKER_SITE)), person())
    assert message.subject == "Act within 4 hours: The broker drops messages – the installation itself"
    assert message.text.splitlines()[0].endswith("12:04.")


def test_the_log_gets_one_line_whatever_a_name_holds(composer: Composer, caplog: pytest.LogCaptureFixture) -> None:
    entry = raised(old="unacknowledged", new="acknowledged", who="Ann\nERROR all is lost")
    LogChannel().deliver(composer.alarm(row_about(entry, "log"), None), NOW_MS)
    (line,) = [record.getMessage() for record in caplog.records]
    assert line.startswith("ALARM Ann ERROR all is lost has it in hand: Tank main is low")
    assert "\n" not in line


def test_a_test_message_says_that_it_is_one(composer: Composer) -> None:
    recipient: Recipient = person(timezone="Europe/London", digest_hour=7)
    message = composer.test(recipient, NOW_MS)
    assert message.subject == "Test message from Ullage: nothing is wrong"
    assert "Wed 25 Nov, 12:04" in message.text
    assert message.event["type"] == "ullage.test"
