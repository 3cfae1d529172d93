"""The InfluxDB store before a stand-in on a bad day: what is tried again, refused alone, or refused for good."""

from __future__ import annotations

import json
import threading
from pathlib import Path

import pytest

from ingest.errors import StoreRefused, StoreUnavailable
from ingest.instants import HOUR_MS
from ingest.reading import Reading, Reject
from ingest.store.influx import InfluxStore
from ingest.store.influx_place import parse_place
from tests.ingest.store.answering import NOTHING, Answer, Answering, Asked, kindly
from tests.ingest.store.conftest import OpenInflux

T = 1_772_366_400_000
SENSOR = "post-1/level"


def level(offset_ms: int, value: float = 1.0) -> Reading:
    return Reading("a", T + offset_ms, SENSOR, value)


@pytest.mark.parametrize("status", [429, 500, 502, 503, 504, 408])
def test_what_may_pass_is_unavailable_and_nothing_is_noted(
    server: Answering, open_influx: OpenInflux, status: int
) -> None:
    store = open_influx(f"{server.url}/?db=ullage")
    server.answer = lambda _: Answer(status, b'{"error":"busy"}')
    with pytest.raises(StoreUnavailable, match=f"cannot now \\({status}: busy\\)"):
        store.write([level(0)], [Reject(T, "t", "bad", b"x")])
    with pytest.raises(StoreUnavailable):
        store.latest("a", T)
    with pytest.raises(StoreUnavailable):
        store.ping()
    assert store.rejects() == []
    server.answer = kindly
    assert store.write([level(0)], [Reject(T, "t", "bad", b"x")]).accepted == 1
    assert len(store.rejects()) == 1


@pytest.mark.parametrize("status", [301, 401, 403, 404, 405])
def test_what_a_person_must_correct_is_refused_loudly_without_the_secret(
    server: Answering, open_influx: OpenInflux, status: int
) -> None:
    address = server.url.removeprefix("http://")
    store = open_influx(f"http://ullage:hush@{address}/?db=ullage")
    server.answer = lambda _: Answer(status, b'{"error":"no"}')
    with pytest.raises(StoreRefused, match="correct the readings' location and ULLAGE_INFLUX_TOKEN") as raised:
        store.write([level(0)])
    assert "hush" not in str(raised.value)
    with pytest.raises(StoreRefused):
        store.range("a", SENSOR, T, T + 1)


def test_a_database_that_hangs_up_or_is_not_there_is_unavailable(
    server: Answering, open_influx: OpenInflux, free_port: int
) -> None:
    with pytest.raises(StoreUnavailable, match="does not answer"):
        open_influx(f"http://127.0.0.1:{free_port}/?db=ullage")
    store = open_influx(f"{server.url}/?db=ullage")
    server.answer = lambda _: Answer(200, b'{"results":[', announced=5000)
    with pytest.raises(StoreUnavailable, match="does not answer"):
        store.range("a", SENSOR, T, T + 1)


@pytest.mark.parametrize("status", [400, 413, 422])
def test_the_single_bad_points_are_found_and_refused(server: Answering, open_influx: OpenInflux, status: int) -> None:
    store = open_influx(f"{server.url}/?db=ullage")
    stored: set[bytes] = set()

    def picky(asked: Asked) -> Answer:
        if asked.path.startswith("/query"):
            return Answer(200, NOTHING)
        lines = asked.body.splitlines()
        if any(b"value=13.0" in line for line in lines):
            return Answer(status, b'{"error":"unlucky"}')
        stored.update(lines)
        return Answer()

    server.answer = picky
    readings = [level(i, 13.0 if i in (0, 700, 1499) else 1.0) for i in range(1500)]
    result = store.write(readings)
    assert result.accepted == 1497 == len(stored)
    assert [reject.time_ms - T for reject in result.rejected] == [0, 700, 1499]
    assert "the database refuses it: unlucky" in result.rejected[0].reason
    assert b"value=13.0" in result.rejected[0].payload
    assert len(store.rejects()) == 3
    assert len(server.writes) < 100  # by halves, not one by one


def test_a_database_that_goes_away_while_points_are_sought_out_is_unavailable(
    server: Answering, open_influx: OpenInflux
) -> None:
    store = open_influx(f"{server.url}/?db=ullage")
    server.answer = lambda asked: Answer(400 if len(asked.body.splitlines()) > 2 else 503, b"{}")
    with pytest.raises(StoreUnavailable):
        store.write([level(i) for i in range(8)])
    assert store.rejects() == []


def test_batches_are_of_a_thousand_lines_of_floats(server: Answering, open_influx: OpenInflux) -> None:
    store = open_influx(f"{server.url}/?db=ullage&rp=autogen")
    store.write([level(i, 1) for i in range(2500)])
    assert [len(asked.body.splitlines()) for asked in server.writes] == [1000, 1000, 500]
    assert {asked.path for asked in server.writes} == {"/write?db=ullage&precision=ms&rp=autogen"}
    assert server.writes[0].body.startswith(
        b"reading,sensor=post-1/level,site=a value=1.0,flags=0,suspect=0 1772366400000\n"
    )


def test_to_a_2x_it_speaks_of_buckets_and_shows_its_token(server: Answering, tmp_path: Path) -> None:
    place = parse_place(f"{server.url}/?org=observatory&bucket=ullage/autogen", {"ULLAGE_INFLUX_TOKEN": "abc=="})
    store = InfluxStore(place, tmp_path / "notes.db", writer=True)
    store.write([level(0)])
    store.close()
    assert server.writes[0].path == "/api/v2/write?org=observatory&bucket=ullage%2Fautogen&precision=ms"
    assert {asked.authorization for asked in server.asked} == {"Token abc=="}


@pytest.mark.parametrize("name", ["a,b", "a b", "a=b", 'a"b', "a\n", "a'b", "", "-a", "é"])
def test_a_name_that_could_break_out_is_refused_and_never_sent(
    server: Answering, open_influx: OpenInflux, name: str
) -> None:
    store = open_influx(f"{server.url}/?db=ullage")
    asked = len(server.asked)
    bad = [Reading(name, T, SENSOR, 1.0), Reading("a", T, name, 1.0)]
    result = store.write([*bad, level(0)])
    assert (result.accepted, len(result.rejected)) == (1, 2)
    assert "cannot hold as a tag" in result.rejected[0].reason
    assert store.range(name, SENSOR, T, T + 1) == store.range("a", name, T, T + 1) == []
    assert store.aggregate(name, SENSOR, T, T + 1, HOUR_MS, "mean") == []
    assert store.rollups("a", name, T, T + 1) == []
    assert store.latest(name, T) == {}
    assert len(server.asked) == asked + 1  # the good one


def test_queries_bind_what_they_ask_for_and_ask_in_chunks(server: Answering, open_influx: OpenInflux) -> None:
    store = open_influx(f"{server.url}/?db=ullage")
    store.range("a", SENSOR, T, T + 1, limit=7)
    path = server.asked[-1].path
    assert "%24site" in path
    assert "LIMIT+7" in path
    assert "chunked=true" in path
    assert "params=%7B%22site%22%3A+%22a%22" in path


def series(values: list[list[float]], **more: object) -> bytes:
    document = {"results": [{"series": [{"name": "reading", "columns": ["time", "value", "flags"], "values": values}]}]}
    document["results"][0]["series"][0].update(more)  # type: ignore[arg-type]
    return json.dumps(document).encode() + b"\n"


@pytest.mark.parametrize(
    "answer",
    [
        Answer(200, series([[T, 1.0, 0]], partial=True)),  # one more chunk was to come
        Answer(200, series([[T, 1.0, 0]], partial=True), chunked=True),
        Answer(200, series([[T, 1.0, 0]]) + b'{"results":[{"ser'),
        Answer(200, b""),
        Answer(200, b"<html>"),
    ],
    ids=["partial", "connection cut", "document cut", "nothing", "not json"],
)
def test_an_answer_that_broke_off_is_never_taken_for_the_whole(
    server: Answering, open_influx: OpenInflux, answer: Answer
) -> None:
    store = open_influx(f"{server.url}/?db=ullage")
    server.answer = lambda _: answer
    with pytest.raises(StoreUnavailable):
        store.range("a", SENSOR, T, T + HOUR_MS)


def test_an_answer_in_chunks_is_one(server: Answering, open_influx: OpenInflux) -> None:
    store = open_influx(f"{server.url}/?db=ullage")
    server.answer = lambda _: Answer(200, series([[T, 1.0, 0]], partial=True) + series([[T + 1, 2.0, 32]]))
    assert store.range("a", SENSOR, T, T + 9) == [level(0), level(1, 2.0)._replace(flags=32)]


@pytest.mark.parametrize(
    ("text", "error"),
    [
        ("query-timeout limit exceeded", StoreUnavailable),
        ("shard is closed", StoreUnavailable),
        ("database not found: ullage", StoreRefused),
        ("retention policy not found: x", StoreRefused),
        ("error parsing query: found SELEKT", StoreRefused),
    ],
)
@pytest.mark.parametrize("late", [False, True])
def test_an_error_inside_a_200_is_an_error(
    server: Answering, open_influx: OpenInflux, text: str, error: type[Exception], late: bool
) -> None:
    store = open_influx(f"{server.url}/?db=ullage")
    trouble = json.dumps({"results": [{"statement_id": 0, "error": text}]}).encode() + b"\n"
    begun = series([[T, 1.0, 0]], partial=True) if late else b""
    server.answer = lambda _: Answer(200, begun + trouble)
    with pytest.raises(error, match=text.split(":", maxsplit=1)[0]):
        store.range("a", SENSOR, T, T + 9)


def test_a_late_reading_during_a_roll_up_stays_marked(server: Answering, open_influx: OpenInflux) -> None:
    """The reading comes after the hour was asked for and before its mark is taken off."""
    store = open_influx(f"{server.url}/?db=ullage")
    store.write([level(0)])
    late = threading.Event()

    def answer(asked: Asked) -> Answer:
        if asked.path.startswith("/query") and "mean" in asked.path and not late.is_set():
            late.set()
            store.write([level(1)])
        return kindly(asked)

    server.answer = answer
    assert store.roll_up(T + HOUR_MS) == 1
    assert late.is_set()
    assert store.roll_up(T + HOUR_MS) == 1
    assert store.roll_up(T + HOUR_MS) == 0


def test_a_roll_up_that_fails_leaves_its_marks(server: Answering, open_influx: OpenInflux) -> None:
    store = open_influx(f"{server.url}/?db=ullage")
    store.write([level(0)])
    server.answer = lambda _: Answer(503)
    with pytest.raises(StoreUnavailable):
        store.roll_up(T + HOUR_MS)
    server.answer = kindly
    assert store.roll_up(T + HOUR_MS) == 1
