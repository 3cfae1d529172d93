"""The last entries of the log on the page of a site: who, when, what and the note."""

from __future__ import annotations

import re

from ingest.instants import DAY_MS, HOUR_MS
from ingest.store.records import LogEntry, Records
from tests.api.conftest import Client
from tests.api.fakes import NOW_MS
from tests.api.pages.test_overview_page import text_of

PAGE = "/sites/skerrow-head"


def entry(back_ms: int, kind: str, part: str = "", note: str = "", value: float | None = None) -> LogEntry:
    return LogEntry("skerrow-head", NOW_MS - back_ms, kind, part, "warden", note, value)


def listed(client: Client) -> list[str]:
    """The entries on the page, each as its plain text."""
    found = re.search(r"<summary>Last entries in the log</summary>(.*?)</details>", client.get(PAGE).text, re.DOTALL)
    return [] if found is None else [text_of(line).strip() for line in found[1].split("<li>")[1:]]


def test_entries_are_shown_newest_first_with_who_when_what_and_note(client: Client, records: Records) -> None:
    assert listed(client) == []
    records.append_log(entry(2 * HOUR_MS, "measured", "post-1/level", value=1.31))
    records.append_log(entry(HOUR_MS, "backup-opened", "spring", "1/4 turn"))
    records.append_log(entry(DAY_MS, "note", note="The gate is shut."))
    assert listed(client) == [
        "Wed 25 Nov, 11:04, warden: Opened: spring: 1/4 turn",
        "Wed 25 Nov, 10:04, warden: post-1/level measured by hand: 1.31 m",
        "Tue 24 Nov, 12:04, warden: The gate is shut.",
    ]


def test_only_the_last_few_are_shown_and_a_long_note_is_cut(client: Client, records: Records) -> None:
    for number in range(9):
        records.append_log(entry((9 - number) * HOUR_MS, "note", note=f"{number}" * 2_000))
    shown = listed(client)
    assert [line[-2] for line in shown] == ["8", "7", "6", "5", "4"]
    assert all(len(line) < 260 and line.endswith("…") for line in shown)


def test_what_people_write_stays_text(client: Client, records: Records) -> None:
    records.append_log(entry(HOUR_MS, "note", note="<script>alert(1)</script> & <b>bold</b>")._replace(who="<i>x</i>"))
    html = client.get(PAGE).text
    assert "&lt;script&gt;alert(1)&lt;/script&gt; &amp; &lt;b&gt;bold&lt;/b&gt;" in html
    assert "<script>alert" not in html
    assert "<i>x" not in html
