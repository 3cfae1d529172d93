"""Sentences that are kept with their figures."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import msgspec
import pytest

from api.speech import Speaker
from ingest import saying
from ingest.saying import Saying, say

SPEAKER = Speaker(ZoneInfo("Europe/London"))
KEPT = say(
    "Battery {now} at {at}: below {low} for {held}; see {who}.",
    now=saying.volts(11.9),
    at=saying.instant(1_795_600_000_000),
    low=saying.volts(12),
    held=saying.duration(40 * 60_000),
    who=saying.names(["level", "battery"]),
)


def test_a_kept_sentence_is_said_with_its_figures() -> None:
    expected = "Battery 11.90 V at Wed 25 Nov, 09:46: below 12.00 V for 40 minutes; see level and battery."
    assert SPEAKER.say(KEPT) == expected


def test_a_sentence_survives_the_store() -> None:
    again = msgspec.json.decode(msgspec.json.encode(KEPT), type=Saying)
    assert again == KEPT
    assert SPEAKER.say(again) == SPEAKER.say(KEPT)


def test_sentences_in_a_sentence_are_said_too() -> None:
    why = [say("stuck for {held}", held=saying.duration(7_200_000)), say("ahead of the clock")]
    whole = say("Cannot be used: {why}.", why=saying.said(why))
    again = msgspec.json.decode(msgspec.json.encode(whole), type=Saying)
    assert SPEAKER.say(again) == "Cannot be used: stuck for 2 hours; ahead of the clock."


@pytest.mark.parametrize(
    ("text", "figures"),
    [("Tank {tank} is low.", {}), ("The tank is low.", {"tank": saying.name("main")})],
)
def test_a_sentence_that_lacks_a_figure_or_has_one_too_many_is_refused(
    text: str, figures: dict[str, saying.Figure]
) -> None:
    with pytest.raises(ValueError, match="placeholders"):
        say(text, **figures)
