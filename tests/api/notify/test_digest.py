"""The daily report says how things stand, with the time of every figure, and what is being kept quiet."""

from __future__ import annotations

import pytest

from api.notify.compose import Composer
from api.notify.digest import Digester, read_report
from api.notify.message import Message
from api.notify.recipients import Recipient
from api.settings import Settings
from ingest.instants import HOUR_MS
from ingest.site import Site
from ingest.store.notifications import Notification
from ingest.store.records import AlarmAction, Records, Transition
from tests.api.fakes import NOW_MS, MemoryReadings, forecast_of, put
from tests.api.notify.conftest import SITE, person

ROW = Notification(1, "digest", "warden", None, "2026-11-25")


@pytest.fixture
def digester(sites: dict[str, Site], heard: MemoryReadings, records: Records, settings: Settings) -> Digester:
    def report(site: Site, now_ms: int) -> object:
        return read_report(site, heard, records, now_ms, settings)

    return Digester(sites, Composer(sites, "https://tank.skerrow.example/"), report)  # type: ignore[arg-type]


def one_site() -> Recipient:
    return person(sites=[SITE], digest_hour=7, timezone="Europe/London")


def step(records: Records, alarm: str, hours_ago: float, *states: str, who: str = "") -> None:
    for old, new in zip(("normal", *states), states, strict=False):
        time_ms = NOW_MS - round(hours_ago * HOUR_MS)
        records.append_transitions([Transition(SITE, alarm, time_ms, old, new, "…", who=who)], [])


def written(digester: Digester, recipient: Recipient, now_ms: int = NOW_MS) -> Message:
    return digester.digest(ROW, recipient, now_ms)


def test_a_quiet_day_is_told_in_a_line_and_with_the_time_of_every_figure(digester: Digester, records: Records) -> None:
    put(records, forecast_of())
    message = written(digester, one_site())
    assert message.subject == "Skerrow Head bird observatory, Wednesday 25 November: no alarm"
    assert "No alarm is active." in message.text
    assert "Tank main: 59 % full, 1,890 L can be drawn, measured Wed 25 Nov, 12:03." in message.text
    assert "Battery: 12.62 V, measured Wed 25 Nov, 12:03." in message.text
    assert "Within 7 days: that the rain water runs out, less than one chance in a hundred;" in message.text
    assert "Forecast of Wed 25 Nov, 12:00." in message.text
    assert message.event["type"] == "ullage.digest"


def test_what_is_active_shelved_and_over_is_listed(digester: Digester, records: Records) -> None:
    step(records, "battery-low", 5, "unacknowledged")
    step(records, "tank-low:main", 4, "unacknowledged", "acknowledged", who="Ann")
    step(records, "overflow-predicted:main", 3, "unacknowledged", "returned")
    step(records, "empty-predicted:main", 2, "unacknowledged")
    records.append_alarm_action(
        AlarmAction(SITE, "empty-predicted:main", NOW_MS - 1, "shelve", "Ben", "tanker ordered", NOW_MS + HOUR_MS)
    )
    text = written(digester, one_site()).text
    assert "• Battery is low, since Wed 25 Nov, 07:04; nobody has acknowledged it. " in text
    assert "• Tank main is low, since Wed 25 Nov, 08:04; Ann has it in hand." in text
    assert "• Shelved by Ben until Wed 25 Nov, 13:04: Tank main is likely to run out (tanker ordered)" in text
    assert "• Over since Wed 25 Nov, 09:04: Tank main is likely to run over" in text
    assert "No alarm is active" not in text


def test_what_is_old_looks_old_and_what_is_missing_is_missing(
    digester: Digester, records: Records, heard: MemoryReadings
) -> None:
    put(records, forecast_of())
    later = written(digester, one_site(), NOW_MS + 30 * HOUR_MS).text
    assert "Tank main: not heard since Wed 25 Nov, 12:03. It was 59 % full then, 1,890 L could be drawn." in later
    assert "Battery: not heard since Wed 25 Nov, 12:03, 12.62 V then." in later
    assert "The forecast of Wed 25 Nov, 12:00 is out of date: do not rely on it." in later
    heard.kept.clear()
    never = written(digester, one_site()).text
    assert "Tank main: nothing has ever been heard of its level." in never
    assert "Battery: nothing has ever been heard of its voltage." in never


def test_several_sites_in_one_and_in_spanish(digester: Digester, records: Records) -> None:
    step(records, "battery-low", 5, "unacknowledged")
    message = written(digester, person(digest_hour=7, timezone="Europe/London", language="es"))
    assert message.subject == "2 suministros de agua, miércoles 25 de noviembre: alarmas activas: 1"
    assert "Tarn orchard shed" in message.text
    assert "Depósito" in message.text
