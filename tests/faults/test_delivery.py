"""The short form of the kills between an alarm and its delivery."""

from __future__ import annotations

from pathlib import Path

from tests.faults.delivery import play


def test_whoever_kills_it_each_message_arrives_once(tmp_path: Path) -> None:
    outcome = play(tmp_path, kills=12, seed=3)
    assert outcome.kills == 12
    assert outcome.messages > 10
    assert len(outcome.moods) > 1  # the receivers did misbehave
    assert outcome.as_expected, outcome
