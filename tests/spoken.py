"""Sentences as an English reader sees them, times in UTC."""

from __future__ import annotations

from collections.abc import Iterable
from zoneinfo import ZoneInfo

from api.speech import Speaker
from ingest.saying import Sentence


def spoken(sentences: Iterable[Sentence]) -> list[str]:
    return [Speaker(ZoneInfo("UTC")).say(sentence) for sentence in sentences]
