"""JSON Pointer: the examples of RFC 6901 section 5 (from memory of the document)."""

from __future__ import annotations

from typing import Any

import pytest

from ingest import pointer
from ingest.errors import PayloadError

DOCUMENT = {
    "list": [10, 20], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, 'k"l': 6, " ": 7, "m~n": 8, "~1": 9,
}  # fmt: skip


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("/list/0", 10), ("/list/1", 20), ("/", 0), ("/a~1b", 1), ("/c%d", 2), ("/e^f", 3), ("/g|h", 4),
        ("/i\\j", 5), ('/k"l', 6), ("/ ", 7), ("/m~0n", 8), ("/~01", 9),
    ],
)  # fmt: skip
def test_the_examples_of_the_standard(text: str, value: float) -> None:
    assert pointer.number_at(DOCUMENT, pointer.parse(text)) == value


def test_the_whole_document() -> None:
    assert pointer.number_at(pointer.decode_json(b"4.5"), pointer.parse("")) == 4.5


@pytest.mark.parametrize("text", ["/list/2", "/list/-", "/list/01", "/list/x", "/list/-1", "/nothing", "/c%d/deeper"])
def test_nothing_there(text: str) -> None:
    with pytest.raises(PayloadError, match="correct the pointer"):
        pointer.number_at(DOCUMENT, pointer.parse(text))


@pytest.mark.parametrize("value", [None, "3", [3], {"v": 3}, True])
def test_what_is_no_number(value: Any) -> None:
    with pytest.raises(PayloadError, match="where a number is due"):
        pointer.number_at({"x": value}, ("x",))


def test_true_counts_as_one_only_for_a_share() -> None:
    assert pointer.number_at({"x": True}, ("x",), truth=True) == 1.0


@pytest.mark.parametrize("payload", [b"", b"{", b'{"x": NaN}', b"\xff", b"[" * 100_000, b'"\xff"'])
def test_what_is_no_json(payload: bytes) -> None:
    with pytest.raises(PayloadError, match="not JSON"):
        pointer.decode_json(payload)


def test_a_number_beyond_all_bounds() -> None:
    with pytest.raises(PayloadError):
        pointer.number_at(pointer.decode_json(b'{"x": ' + b"9" * 400 + b"}"), ("x",))
