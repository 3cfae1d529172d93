"""The state machine alone: what is due, given the last record, a finding and now."""

from __future__ import annotations

import pytest

from api.alarms.lifecycle import retire, step
from api.alarms.rules import Finding, Sample, held_ms
from api.alarms.types import ALARM_TYPES, BATTERY_LOW, AlarmId, alarm_id, alarms_of
from ingest.instants import HOUR_MS, MINUTE_MS
from ingest.site import Site
from ingest.store.records import Transition
from tests.api.fakes import NOW_MS

BATTERY = AlarmId(BATTERY_LOW)
ON, OFF = BATTERY_LOW.on_delay_ms, BATTERY_LOW.off_delay_ms


def last(new: str, time_ms: int = NOW_MS - HOUR_MS) -> Transition:
    return Transition("skerrow-head", "battery-low", time_ms, "active" if new == "normal" else "normal", new, "", 1)


@pytest.mark.parametrize(
    ("previous", "finding", "new"),
    [
        (None, Finding(True, ON, "low"), "active"),
        (None, Finding(True, ON - 1, "low"), None),
        (None, Finding(False, OFF, "well"), None),
        (None, Finding(None, OFF, "unknown"), None),
        (last("normal"), Finding(True, ON, "low"), "active"),
        (last("active"), Finding(True, 10 * ON, "low"), None),
        (last("active"), Finding(False, OFF - 1, "well"), None),
        (last("active"), Finding(False, OFF, "well"), "normal"),
        (last("active"), Finding(None, 10 * OFF, "unknown"), None),
        (last("normal", NOW_MS + 1), Finding(True, ON, "low"), None),  # a clock that was set back
    ],
)
def test_transition_is_due_only_after_its_delay(previous: Transition | None, finding: Finding, new: str | None) -> None:
    due = step("skerrow-head", BATTERY, previous, finding, NOW_MS)
    assert (due.new if due else None) == new
    if due:
        assert due.time_ms == NOW_MS
        assert due.reason == finding.reason


def test_alarm_about_something_removed_is_cleared_and_says_so() -> None:
    gone = retire(last("active"), NOW_MS)
    assert gone is not None
    assert (gone.new, "site file" in gone.reason) == ("normal", True)
    assert retire(last("normal"), NOW_MS) is None


def test_hold_counts_back_to_the_first_failure_or_gap() -> None:
    def low(volts: float) -> bool:
        return volts < 12

    volts = [11.9, 12.4, 11.9, 11.8, 11.7]
    samples = [Sample(NOW_MS - n * 10 * MINUTE_MS, v) for n, v in zip(range(4, -1, -1), volts, strict=True)]
    assert held_ms(samples, low, 15 * MINUTE_MS, NOW_MS) == 20 * MINUTE_MS
    assert held_ms(samples, low, 5 * MINUTE_MS, NOW_MS) == 0
    assert held_ms([], low, 5 * MINUTE_MS, NOW_MS) == 0
    assert held_ms(samples[:2], low, HOUR_MS, NOW_MS) == 0


def test_every_type_says_what_it_means() -> None:
    assert len(ALARM_TYPES) == 7
    for kind in ALARM_TYPES.values():
        for words in (kind.title, kind.cause, kind.consequence, kind.action):
            assert len(words) >= 10
        assert kind.respond_within_h * HOUR_MS > kind.on_delay_ms


def test_site_raises_what_it_can_measure(skerrow_head: Site, tarn_orchard: Site) -> None:
    assert [str(alarm) for alarm in alarms_of(skerrow_head)] == [
        "battery-low",
        "tank-low:main",
        "overflow-now:main",
        "empty-predicted:main",
        "overflow-predicted:main",
        "nothing-heard:post-1",
    ]
    # The upper tank has no low_l, and what it spills the lower one takes.
    assert [str(alarm) for alarm in alarms_of(tarn_orchard)] == [
        "empty-predicted:upper",
        "tank-low:lower",
        "overflow-now:lower",
        "empty-predicted:lower",
        "overflow-predicted:lower",
        "nothing-heard:upper-post",
        "nothing-heard:lower-post",
    ]
    for alarm in alarms_of(tarn_orchard):
        assert alarm_id(str(alarm)) == alarm
