"""What people do about alarms, and what an engine then tells and does not tell."""

from __future__ import annotations

from typing import Any

import pytest

from api.alarms import actions
from api.alarms.standing import Standing, standings
from ingest.errors import ActionRefused, NotActive, UnknownAlarm
from ingest.instants import DAY_MS, HOUR_MS, MINUTE_MS
from ingest.store.records import Transition
from tests.api.alarms.conftest import Watch
from tests.api.fakes import forecast_of, passage, put, tank_forecast

ALARM = "battery-low"


@pytest.fixture
def low(watch: Watch) -> Watch:
    """A battery that has just raised its alarm."""
    assert [entry.new for entry in watch.go(40, battery=11.9)] == ["unacknowledged"]
    return watch


def acknowledge(watch: Watch, who: str = "warden", note: str = "") -> Transition:
    return actions.acknowledge(watch.records, watch.site, ALARM, who, note, watch.clock.now_ms)


def do(watch: Watch, action: Any, *details: Any, who: str = "warden", why: str = "new cells on Friday") -> None:
    action(watch.records, watch.site, ALARM, *details, who, why, watch.clock.now_ms)


def standing(watch: Watch, alarm: str = ALARM) -> Standing:
    found = standings(watch.records, watch.site, watch.clock.now_ms)
    return next(one for one in found if str(one.alarm) == alarm)


def test_an_acknowledgement_is_a_transition_with_who_and_note(low: Watch) -> None:
    kept = acknowledge(low, note="the panel is under snow")
    assert (kept.old, kept.new, kept.who) == ("unacknowledged", "acknowledged", "warden")
    assert kept.reason == "Acknowledged by warden: the panel is under snow"
    assert low.records.last_transitions("skerrow-head")[ALARM] == kept
    assert low.go(60, battery=11.9) == []
    over = low.go(25 * 60, step_ms=10 * MINUTE_MS, battery=12.6)
    assert [(entry.old, entry.new) for entry in over] == [("acknowledged", "normal")]


def test_what_is_over_waits_for_an_acknowledgement_and_can_be_raised_again(low: Watch) -> None:
    low.go(25 * 60, step_ms=10 * MINUTE_MS, battery=12.6)
    assert standing(low).state == "returned"
    assert [entry.new for entry in low.go(40, battery=11.9)] == ["unacknowledged"]
    low.go(25 * 60, step_ms=10 * MINUTE_MS, battery=12.6)
    assert acknowledge(low).new == "normal"


def test_nothing_is_acknowledged_twice(low: Watch) -> None:
    acknowledge(low)
    with pytest.raises(NotActive, match="battery-low is acknowledged"):
        acknowledge(low, who="ranger")


def test_an_acknowledgement_between_judging_and_recording_wins(low: Watch) -> None:
    """The engine has judged that it is over, and before it says so, somebody acknowledges."""
    due = Transition("skerrow-head", ALARM, low.clock.now_ms, "unacknowledged", "returned", "Over.")
    acknowledge(low)
    assert low.records.append_transitions([due], ["log"]) == []
    assert standing(low).state == "acknowledged"


def test_acknowledged_and_forgotten_it_is_announced_again(low: Watch) -> None:
    acknowledge(low)
    again = low.go(3 * 24 * 60 + 30, step_ms=30 * MINUTE_MS, battery=11.9)
    assert [(entry.old, entry.new) for entry in again] == [("acknowledged", "unacknowledged")]
    assert again[0].reason.startswith("Still so: Battery 11.90 V")


def test_a_shelf_mutes_the_messages_not_the_record_and_ends_by_itself(watch: Watch) -> None:
    do(watch, actions.shelve, watch.clock.now_ms + 2 * HOUR_MS)
    raised = watch.go(60, battery=11.9)
    assert [(entry.new, entry.muted) for entry in raised] == [("unacknowledged", "shelved")]
    assert watch.sent() == 0
    mute = standing(watch).mute
    assert mute is not None
    assert (mute.kind, mute.who, mute.why) == ("shelved", "warden", "new cells on Friday")
    told = watch.go(70, battery=11.9)
    assert [(entry.old, entry.new, entry.muted) for entry in told] == [("unacknowledged", "unacknowledged", "")]
    assert watch.sent() == 1
    assert standing(watch).mute is None


def test_a_shelf_can_be_ended_before(watch: Watch) -> None:
    do(watch, actions.shelve, watch.clock.now_ms + DAY_MS)
    do(watch, actions.unshelve)
    assert standing(watch).mute is None
    with pytest.raises(NotActive, match="nothing to end"):
        do(watch, actions.unshelve)
    watch.go(60, battery=11.9)
    assert watch.sent() == 1


def test_a_shelf_that_ended_by_itself_cannot_be_ended(watch: Watch) -> None:
    do(watch, actions.shelve, watch.clock.now_ms + HOUR_MS)
    watch.clock.now_ms += HOUR_MS
    with pytest.raises(NotActive):
        do(watch, actions.unshelve)


@pytest.mark.parametrize("length_ms", [MINUTE_MS, 7 * DAY_MS + 1, -HOUR_MS])
def test_a_shelf_has_a_bounded_length(watch: Watch, length_ms: int) -> None:
    with pytest.raises(ActionRefused, match="5 minutes to 7 days"):
        do(watch, actions.shelve, watch.clock.now_ms + length_ms)


def test_out_of_service_lasts_until_it_is_put_back_and_goes_before_a_shelf(watch: Watch) -> None:
    do(watch, actions.shelve, watch.clock.now_ms + HOUR_MS)
    do(watch, actions.take_out_of_service)
    watch.clock.now_ms += 30 * DAY_MS
    mute = standing(watch).mute
    assert mute is not None
    assert mute.kind == "out-of-service"
    assert [entry.muted for entry in watch.go(60, battery=11.9)] == ["out-of-service"]
    do(watch, actions.return_to_service)
    assert [entry.muted for entry in watch.go(10, battery=11.9)] == [""]


def test_a_season_suppresses_by_design_in_its_local_months_only(watch: Watch) -> None:
    do(watch, actions.suppress, [12, 1, 2])
    assert standing(watch).mute is None  # it is November
    watch.clock.now_ms += 10 * DAY_MS
    mute = standing(watch).mute
    assert mute is not None
    assert mute.kind == "by-design"
    do(watch, actions.unsuppress)
    assert standing(watch).mute is None
    with pytest.raises(ActionRefused, match="1 to 12"):
        do(watch, actions.suppress, [0])


def test_a_season_can_be_ended_out_of_season(watch: Watch) -> None:
    do(watch, actions.suppress, [1])
    do(watch, actions.unsuppress)


def test_a_note_is_shown_and_kept(low: Watch) -> None:
    do(low, actions.annotate, why="terminals are white")
    do(low, actions.annotate, why="cleaned")
    note = standing(low).note
    assert note is not None
    assert (note.who, note.why) == ("warden", "cleaned")
    kept = low.records.alarm_actions("skerrow-head", ALARM)
    assert [action.why for action in kept] == ["cleaned", "terminals are white"]
    rest = low.records.alarm_actions("skerrow-head", before_id=kept[0].id)
    assert [action.why for action in rest] == ["terminals are white"]


def test_what_is_wrong_is_said(watch: Watch) -> None:
    now_ms = watch.clock.now_ms
    with pytest.raises(UnknownAlarm, match="one of battery-low, battery-cutoff-predicted"):
        actions.annotate(watch.records, watch.site, "tank-low:mian", "warden", "hm", now_ms)
    with pytest.raises(UnknownAlarm, match="broker-dropping"):
        actions.acknowledge(watch.records, None, "battery-low", "warden", "", now_ms)
    for who, why in (("", "so"), ("x" * 81, "so"), ("warden", " "), ("warden", "x" * 2001)):
        with pytest.raises(ActionRefused):
            do(watch, actions.annotate, who=who, why=why)
    assert watch.records.alarm_actions("skerrow-head") == []


def test_three_activations_in_a_day_are_chattering(low: Watch) -> None:
    for n in range(1, 3):
        assert not standing(low).chattering
        over = Transition("skerrow-head", ALARM, low.clock.now_ms + n, "unacknowledged", "returned", "Over.")
        up = over._replace(old="returned", new="unacknowledged")
        low.records.append_transitions([over, up], [])
    assert standing(low).chattering
    low.clock.now_ms += DAY_MS + MINUTE_MS
    assert not standing(low).chattering


def test_a_consequence_is_folded_under_its_cause(watch: Watch) -> None:
    tank = tank_forecast(runs_out=passage([0.9]))
    put(watch.records, forecast_of(issued_ms=watch.clock.now_ms, tanks=[tank]))
    found = watch.go(70, level=0.4)
    assert [(entry.alarm, entry.muted) for entry in found] == [
        ("tank-low:main", ""),
        ("empty-predicted:main", "folded:tank-low:main"),
    ]
    assert watch.sent() == 1
    assert standing(watch, "empty-predicted:main").folded_under == "tank-low:main"


def test_standings_put_first_what_needs_somebody(low: Watch) -> None:
    low.go(60, level=0.4, battery=11.9)
    acknowledge(low)
    found = standings(low.records, low.site, low.clock.now_ms)
    assert [(str(one.alarm), one.state) for one in found[:2]] == [
        ("tank-low:main", "unacknowledged"),
        (ALARM, "acknowledged"),
    ]
    assert found[1].raised_ms is not None
    assert found[1].last is not None
    assert found[1].raised_ms < found[1].last.time_ms


def test_the_reason_is_kept_with_its_figures_and_the_readings_behind_it(low: Watch) -> None:
    raised = low.records.last_transitions("skerrow-head")[ALARM]
    assert raised.said is not None
    assert raised.said.figures["now"].value == 11.9
    assert [(reading.sensor, reading.value) for reading in raised.evidence] == [("post-1/battery", 11.9)]
