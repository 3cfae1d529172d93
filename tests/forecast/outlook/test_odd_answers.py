"""Answers with anything in the wrong place: read or refused, never anything else."""

from __future__ import annotations

import json
from collections.abc import Callable
from copy import deepcopy
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecast.outlook import met_norway, nws, open_meteo
from forecast.outlook.delivery import Delivery
from forecast.outlook.file import parse_document
from forecast.outlook.resample import to_outlook
from ingest.errors import OutlookError
from tests.forecast.outlook.documents import body_of

OURS: dict[str, Any] = {
    "issued": "2026-11-30T09:00:00Z",
    "source": "x",
    "intervals": [
        {
            "start": "2026-11-30T12:00:00Z",
            "end": "2026-11-30T18:00:00Z",
            "rain_mm": [3.0, None],
            "temperature_c": [1, 2],
        }
    ],
}
READERS: dict[str, tuple[bytes, Callable[[bytes], Delivery]]] = {
    "open_meteo": (body_of("open_meteo"), lambda body: open_meteo.parse(body, 0)),
    "met_norway": (body_of("met_norway"), met_norway.parse),
    "nws_grid": (body_of("nws_grid"), nws.parse),
    "ours": (json.dumps(OURS).encode(), parse_document),
}
ODD = st.one_of(
    st.none(),
    st.booleans(),
    st.sampled_from([-1, 0, 2**63, 10**400, 1e300, -1e300, 1e-320, -0.0]),
    st.sampled_from(["", "x", "0001-01-01T00:00:00Z", "9999-12-31T23:59:59Z", "2026-11-30T09:00:00", "wmoUnit:in",
                     "2026-11-30T09:00:00Z/P99999999999W", "9999-12-31T00:00:00Z/P9W", "mm", "unixtime", "iso8601"]),
    st.just([]), st.just({}), st.just([None]), st.just([1.0]), st.just(["x"]),
)  # fmt: skip


def leaves(node: object, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    inner: list[tuple[Any, Any]] = []
    if isinstance(node, dict):
        inner = list(node.items())
    elif isinstance(node, list):
        inner = list(enumerate(node))
    return [path] * bool(path) + [found for key, value in inner for found in leaves(value, (*path, key))]


@pytest.mark.parametrize("name", sorted(READERS))
@given(data=st.data())
def test_one_odd_value_is_read_or_refused(name: str, data: st.DataObject) -> None:
    body, read = READERS[name]
    document = json.loads(body)
    for path in data.draw(st.lists(st.sampled_from(leaves(document)), min_size=1, max_size=2)):
        node = document
        try:
            for key in path[:-1]:
                node = node[key]
            node[path[-1]] = deepcopy(data.draw(ODD))
        except (TypeError, KeyError, IndexError):
            continue  # the first odd value took the place away
    try:
        outlook = to_outlook(read(json.dumps(document).encode()))
    except OutlookError:
        return
    known = outlook.rain_mm[~np.isnan(outlook.rain_mm)]
    assert len(known)
    assert known.min() >= 0


@pytest.mark.parametrize("name", sorted(READERS))
@pytest.mark.parametrize("body", [b"", b"\xff\xfe", b"[" * 100_000, b'{"a":' * 100_000, b"null", b'{"hourly": 1e999}'])
def test_what_is_no_answer_at_all_is_refused(name: str, body: bytes) -> None:
    with pytest.raises(OutlookError):
        READERS[name][1](body)
