"""The state machine alone: what is due, given the last record, a finding and now."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from api.alarms.backup import stands_by_log
from api.alarms.facts import Finding, Sample, held_ms
from api.alarms.folding import causes_first, causes_of
from api.alarms.kinds import BackupStands
from api.alarms.lifecycle import ACTIVE, acknowledged, retire, step
from api.alarms.power import BATTERY_LOW
from api.alarms.types import ALARM_TYPES, AlarmId, alarm_id, alarms_of, wording
from api.speech import Speaker
from ingest.instants import HOUR_MS, MINUTE_MS
from ingest.saying import say
from ingest.site import Site
from ingest.store.records import LogEntry, Transition
from tests.api.fakes import NOW_MS

BATTERY = AlarmId(BATTERY_LOW)
ON, OFF, AGAIN = BATTERY_LOW.on_delay_ms, BATTERY_LOW.off_delay_ms, BATTERY_LOW.realarm_ms
SPEAKER = Speaker(ZoneInfo("UTC"))
OPENED, SHUT = (BackupStands(is_open, by_sensor=False) for is_open in (True, False))
LOW, WELL, UNSURE = (say(text) for text in ("It is low.", "It is well.", "Who knows?"))


def last(new: str, time_ms: int = NOW_MS - HOUR_MS, muted: str = "") -> Transition:
    return Transition("skerrow-head", "battery-low", time_ms, "whatever", new, "", 1, muted=muted)


@pytest.mark.parametrize(
    ("previous", "finding", "new"),
    [
        (None, Finding(True, ON, LOW), "unacknowledged"),
        (None, Finding(True, ON - 1, LOW), None),
        (None, Finding(False, OFF, WELL), None),
        (None, Finding(None, OFF, UNSURE), None),
        (last("normal"), Finding(True, ON, LOW), "unacknowledged"),
        (last("returned"), Finding(True, ON, LOW), "unacknowledged"),
        (last("returned"), Finding(False, 10 * OFF, WELL), None),
        (last("unacknowledged"), Finding(True, 10 * ON, LOW), None),
        (last("unacknowledged"), Finding(False, OFF - 1, WELL), None),
        (last("unacknowledged"), Finding(False, OFF, WELL), "returned"),
        (last("unacknowledged"), Finding(None, 10 * OFF, UNSURE), None),
        (last("acknowledged"), Finding(False, OFF, WELL), "normal"),
        (last("acknowledged"), Finding(True, 10 * ON, LOW), None),
        (last("acknowledged", NOW_MS - AGAIN), Finding(True, 10 * ON, LOW), "unacknowledged"),
        (last("acknowledged", NOW_MS - AGAIN + 1), Finding(True, 10 * ON, LOW), None),
        (last("unacknowledged", muted="shelved"), Finding(True, ON, LOW), "unacknowledged"),
        (last("normal", NOW_MS + 1), Finding(True, ON, LOW), None),  # a clock that was set back
    ],
)
def test_transition_is_due_only_after_its_delay(previous: Transition | None, finding: Finding, new: str | None) -> None:
    due = step("skerrow-head", BATTERY, previous, finding, NOW_MS, SPEAKER)
    assert (due.new if due else None) == new
    if due:
        assert due.time_ms == NOW_MS
        assert due.reason.endswith(SPEAKER.say(finding.said))
        assert due.reason.startswith("Still so:") == (due.old in ACTIVE and due.new in ACTIVE)


def test_what_is_muted_still_is_not_announced_again() -> None:
    assert step("s", BATTERY, last("unacknowledged", muted="shelved"), LOW_NOW, NOW_MS, SPEAKER, "shelved") is None
    raised = step("s", BATTERY, None, LOW_NOW, NOW_MS, SPEAKER, "shelved")
    assert raised is not None
    assert (raised.new, raised.muted) == ("unacknowledged", "shelved")


LOW_NOW = Finding(True, ON, LOW)


@pytest.mark.parametrize(
    ("state", "after"),
    [("unacknowledged", "acknowledged"), ("returned", "normal"), ("acknowledged", None), ("normal", None)],
)
def test_an_acknowledgement_needs_something_to_acknowledge(state: str, after: str | None) -> None:
    assert acknowledged(last(state)) == after


def test_alarm_about_something_removed_is_cleared_and_says_so() -> None:
    for state in ("unacknowledged", "acknowledged"):
        gone = retire(last(state), NOW_MS, SPEAKER)
        assert gone is not None
        assert (gone.old, gone.new, "site file" in gone.reason) == (state, "normal", True)
    assert retire(last("normal"), NOW_MS, SPEAKER) is None
    assert retire(last("returned"), NOW_MS, SPEAKER) is None


def test_hold_counts_back_to_the_first_failure_or_gap() -> None:
    def low(volts: float) -> bool:
        return volts < 12

    volts = [11.9, 12.4, 11.9, 11.8, 11.7]
    samples = [Sample(NOW_MS - n * 10 * MINUTE_MS, v) for n, v in zip(range(4, -1, -1), volts, strict=True)]
    assert held_ms(samples, low, 15 * MINUTE_MS, NOW_MS) == 20 * MINUTE_MS
    assert held_ms(samples, low, 5 * MINUTE_MS, NOW_MS) == 0
    assert held_ms([], low, 5 * MINUTE_MS, NOW_MS) == 0
    assert held_ms(samples[:2], low, HOUR_MS, NOW_MS) == 0
    assert held_ms(samples, low, 15 * MINUTE_MS, NOW_MS, lambda volts: volts < 12.5) == 20 * MINUTE_MS
    assert held_ms(samples, low, 20 * MINUTE_MS, NOW_MS, lambda volts: volts < 12.5) == 40 * MINUTE_MS
    assert held_ms(samples, low, 20 * MINUTE_MS, NOW_MS, lambda volts: volts < 12.3) == 20 * MINUTE_MS


def test_every_type_says_what_it_means() -> None:
    assert len(ALARM_TYPES) == 22
    for kind in ALARM_TYPES.values():
        for words in (kind.title, kind.cause, kind.consequence, kind.action):
            assert len(words) >= 10
        assert kind.respond_within_h * HOUR_MS >= kind.on_delay_ms
        assert kind.realarm_ms >= kind.respond_within_h * HOUR_MS


def test_no_type_speaks_of_a_backup_to_a_site_without_one(tarn_orchard: Site) -> None:
    assert tarn_orchard.backup is None
    for alarm in alarms_of(tarn_orchard):
        for saying in wording(alarm, tarn_orchard):
            assert "backup" not in saying.text


@pytest.mark.parametrize(
    ("backup", "alarm", "said"),
    [
        (None, "overflow-now:main", "Close the backup supply if it is open. Look,"),
        (OPENED, "overflow-now:main", "supply: by the site's log it is open. Look,"),
        (BackupStands(open=True, by_sensor=True), "overflow-now:main", "supply: by its sensor it is open. Look,"),
        (
            SHUT,
            "overflow-now:main",
            "By the site's log the backup supply is shut: see that it is.",
        ),
        (None, "tank-low:main", "Make ready to change over"),
        (OPENED, "tank-low:main", "By the site's log the backup supply is open al"),
        (SHUT, "tank-low:main", "Make ready to change over"),
        (
            OPENED,
            "empty-predicted:main",
            "is open already: leave the rain water shut",
        ),
        (OPENED, "pump-near-outlet:main", "open already: never have both supplies"),
    ],
)
def test_what_to_do_goes_by_how_the_backup_stands(
    skerrow_head: Site, tarn_orchard: Site, backup: BackupStands | None, alarm: str, said: str
) -> None:
    known = alarm_id(alarm)
    assert known is not None
    assert said in Speaker(ZoneInfo("UTC")).say(wording(known, skerrow_head, backup).action)
    assert "backup" not in wording(known, tarn_orchard, backup).action.text


@pytest.mark.parametrize(("chemistry", "lead"), [("flooded", True), ("agm", True), ("gel", True), ("lifepo4", False)])
def test_a_low_battery_is_spoken_of_by_its_chemistry(skerrow_head: Site, chemistry: str, lead: bool) -> None:
    assert skerrow_head.battery is not None
    battery = skerrow_head.battery.model_copy(update={"chemistry": chemistry})
    alarm = alarm_id("battery-low")
    assert alarm is not None
    words = wording(alarm, skerrow_head.model_copy(update={"battery": battery}))
    said = f"{words.consequence.text} {words.action.text}"
    for one in ("acid", "hydrogen"):
        assert (one in said) == lead
    for other in ("own protection", "below 0 °C", "short circuit can burn"):
        assert (other in said) == (not lead)
    assert "trained for" in said


def test_the_newest_of_what_people_wrote_down_tells_how_the_backup_stands(
    skerrow_head: Site, tarn_orchard: Site
) -> None:
    def entry(kind: str, time_ms: int) -> dict[tuple[str, str], LogEntry]:
        return {(kind, "borehole"): LogEntry("skerrow-head", time_ms, kind, "borehole", "warden")}

    opened, closed = entry("backup-opened", 5), entry("backup-closed", 7)
    assert stands_by_log(skerrow_head, {}) is None
    assert stands_by_log(skerrow_head, opened) == OPENED
    assert stands_by_log(skerrow_head, opened | closed) == SHUT
    assert stands_by_log(skerrow_head, closed | entry("backup-opened", 9)) == OPENED
    assert stands_by_log(tarn_orchard, opened) is None


def test_site_raises_what_it_can_measure(skerrow_head: Site, tarn_orchard: Site) -> None:
    assert [str(alarm) for alarm in alarms_of(skerrow_head)] == [
        "battery-low",
        "battery-cutoff-predicted",
        "pump-near-outlet:main",
        "tank-low:main",
        "overflow-now:main",
        "empty-predicted:main",
        "overflow-predicted:main",
        "leak-suspected:main",
        "rain-without-inflow:bunkhouse",
        "both-supplies-open",
        "water-standing:main",
        "nothing-heard:post-1",
        "sensor-implausible:post-1",
        "forecast-stale",
        "outlook-stale",
        "upkeep-due:clean-gutters",
        "upkeep-due:rinse-first-flush",
    ]
    # The upper tank has no low_l, and what it spills the lower one takes; no rain is measured.
    assert [str(alarm) for alarm in alarms_of(tarn_orchard)] == [
        "empty-predicted:upper",
        "tank-low:lower",
        "overflow-now:lower",
        "empty-predicted:lower",
        "overflow-predicted:lower",
        "water-standing:lower",
        "nothing-heard:upper-post",
        "sensor-implausible:upper-post",
        "nothing-heard:lower-post",
        "sensor-implausible:lower-post",
        "forecast-stale",
        "outlook-stale",
    ]
    for alarm in [*alarms_of(skerrow_head), *alarms_of(tarn_orchard)]:
        assert alarm_id(str(alarm)) == alarm


def test_every_consequence_comes_after_its_causes(skerrow_head: Site) -> None:
    order = causes_first(alarms_of(skerrow_head), skerrow_head)
    assert sorted(map(str, order)) == sorted(map(str, alarms_of(skerrow_head)))
    for place, alarm in enumerate(order):
        assert not set(causes_of(alarm, skerrow_head)) & set(order[place:])
