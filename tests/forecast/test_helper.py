"""A process that stays for those who ask, and ends when nobody does."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from forecast import helper as helpers
from forecast.helper import Helper
from ingest.errors import AsideError, SiteFileError


@pytest.fixture
def helper() -> Iterator[Helper]:
    made = Helper()
    yield made
    made.close()


def gone(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    return False


def test_all_questions_go_to_one_process_that_is_not_ours(helper: Helper) -> None:
    answers: list[int] = []
    asking = [threading.Thread(target=lambda: answers.append(helper.ask("os:getpid"))) for _ in range(6)]
    for thread in asking:
        thread.start()
    for thread in asking:
        thread.join()
    assert len(answers) == 6
    assert len(set(answers)) == 1
    assert answers[0] != os.getpid()


def test_errors_of_ours_come_back_whole_and_do_not_end_it(helper: Helper, tmp_path: Path) -> None:
    pid = helper.ask("os:getpid")
    with pytest.raises(SiteFileError) as caught:
        helper.ask("ingest.sitefile:load_site", tmp_path / "none.toml")
    assert caught.value.file.endswith("none.toml")
    assert "a readable file" in caught.value.problems[0].expected
    assert helper.ask("os:getpid") == pid


def test_after_one_that_died_comes_another(helper: Helper, capfd: pytest.CaptureFixture[str]) -> None:
    pid = helper.ask("os:getpid")
    for deadly in ("os:abort", "forecast.panel:no_such_thing"):
        with pytest.raises(AsideError, match=f"{deadly} failed in its own process"):
            helper.ask(deadly)
    assert "no_such_thing" in capfd.readouterr().err
    assert helper.ask("os:getpid") != pid
    os.kill(helper.ask("os:getpid"), 9)
    time.sleep(0.1)
    assert not gone(helper.ask("os:getpid"))


def test_it_ends_when_nobody_asks_and_is_started_anew() -> None:
    helper = Helper(linger_s=0.2)
    pid = helper.ask("os:getpid")
    deadline = time.monotonic() + 20
    while not gone(pid) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert gone(pid)
    assert helper.ask("os:getpid") != pid
    helper.close()


def test_who_asks_when_too_many_wait_is_turned_away(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(helpers, "MOST_ASKING", 1)
    helper = Helper()
    asking = threading.Thread(target=lambda: helper.ask("time:sleep", 2))
    asking.start()
    while helper._asking._value:  # until its turn has begun
        time.sleep(0.01)
    with pytest.raises(AsideError, match="has to wait"):
        helper.ask("os:getpid")
    asking.join()
    helper.close()


def test_what_takes_too_long_is_ended(helper: Helper, monkeypatch: pytest.MonkeyPatch) -> None:
    helper.ask("os:getpid")
    monkeypatch.setattr(helpers, "MOST_S", 0.2)
    with pytest.raises(AsideError, match="time:sleep failed"):
        helper.ask("time:sleep", 60)
