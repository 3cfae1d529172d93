"""A process that stays for those who ask, and ends when nobody does."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from forecast import backroom as backrooms
from forecast.backroom import Backroom
from ingest.errors import AsideError, SiteFileError


@pytest.fixture
def backroom() -> Iterator[Backroom]:
    made = Backroom()
    yield made
    made.close()


def gone(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    return False


def test_all_questions_go_to_one_process_that_is_not_ours(backroom: Backroom) -> None:
    answers: list[int] = []
    asking = [threading.Thread(target=lambda: answers.append(backroom.ask("os:getpid"))) for _ in range(6)]
    for thread in asking:
        thread.start()
    for thread in asking:
        thread.join()
    assert len(answers) == 6
    assert len(set(answers)) == 1
    assert answers[0] != os.getpid()


def test_errors_of_ours_come_back_whole_and_do_not_end_it(backroom: Backroom, tmp_path: Path) -> None:
    pid = backroom.ask("os:getpid")
    with pytest.raises(SiteFileError) as caught:
        backroom.ask("ingest.sitefile:load_site", tmp_path / "none.toml")
    assert caught.value.file.endswith("none.toml")
    assert "a readable file" in caught.value.problems[0].expected
    assert backroom.ask("os:getpid") == pid


def test_after_one_that_died_comes_another(backroom: Backroom, capfd: pytest.CaptureFixture[str]) -> None:
    pid = backroom.ask("os:getpid")
    for deadly in ("os:abort", "forecast.panel:no_such_thing"):
        with pytest.raises(AsideError, match=f"{deadly} failed in its own process"):
            backroom.ask(deadly)
    assert "no_such_thing" in capfd.readouterr().err
    assert backroom.ask("os:getpid") != pid
    os.kill(backroom.ask("os:getpid"), 9)
    time.sleep(0.1)
    assert not gone(backroom.ask("os:getpid"))


def test_it_ends_when_nobody_asks_and_is_started_anew() -> None:
    backroom = Backroom(linger_s=0.2)
    pid = backroom.ask("os:getpid")
    deadline = time.monotonic() + 20
    while not gone(pid) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert gone(pid)
    assert backroom.ask("os:getpid") != pid
    backroom.close()


def test_who_asks_when_too_many_wait_is_turned_away(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(backrooms, "MOST_ASKING", 1)
    backroom = Backroom()
    asking = threading.Thread(target=lambda: backroom.ask("time:sleep", 2))
    asking.start()
    while backroom._asking._value:  # until its turn has begun
        time.sleep(0.01)
    with pytest.raises(AsideError, match="has to wait"):
        backroom.ask("os:getpid")
    asking.join()
    backroom.close()


def test_what_takes_too_long_is_ended(backroom: Backroom, monkeypatch: pytest.MonkeyPatch) -> None:
    backroom.ask("os:getpid")
    monkeypatch.setattr(backrooms, "MOST_S", 0.2)
    with pytest.raises(AsideError, match="time:sleep failed"):
        backroom.ask("time:sleep", 60)
