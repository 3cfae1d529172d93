"""Talking to InfluxDB: one request at a time, and a plain answer to whether to try again.

Through the client library's own HTTP layer, synchronously. Its batching writer is not used: what
it holds when the process ends is lost. Readings are written at /write to a 1.x, which is all that
1.6 has, and at /api/v2/write to a 2.x, whose old /write answers a bad point with 500, as if
trying again could help. They are read by InfluxQL at /query, which both have.

1.x is tested on a real 1.6.7. For 2.x this was checked against documentation and sources, not run.
A 3.x is not served: in the sources of 3 Core, /query takes no bound values and hands tags out as
columns, and nothing deletes single hours.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any, Final

import msgspec
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.rest import ApiException
from urllib3.exceptions import HTTPError

from ingest.errors import StoreRefused, StoreUnavailable
from ingest.store.influx_place import TOKEN_VARIABLE, Bucket, InfluxPlace

_TIMEOUT_MS: Final = 10_000
#: Rows of one chunk; an answer in one piece would be cut at 10,000 without a word.
_CHUNK: Final = 10_000
Row = list[int | float | str | None]


class BadLines(Exception):
    """The database refuses what was written; some line of it is at fault."""


class Series(msgspec.Struct):
    """Rows of one series in an answer."""

    columns: list[str]
    values: list[Row] = []
    tags: dict[str, str] = {}
    partial: bool = False


class _Result(msgspec.Struct):
    series: list[Series] = []
    error: str | None = None
    partial: bool = False


class _Document(msgspec.Struct):
    results: list[_Result] = []
    error: str | None = None


_DECODER: Final = msgspec.json.Decoder(_Document)


class InfluxClient:
    """A connection pool to one InfluxDB. Safe to share between threads.

    Everything raises StoreUnavailable when trying again may help, StoreRefused when a person must
    correct a name, a right or a secret.
    """

    def __init__(self, place: InfluxPlace) -> None:
        self._place = place
        # The library's types say that there is always a token, and nothing about the calls.
        self._client: Any = InfluxDBClient(place.url, place.secret, timeout=_TIMEOUT_MS, auth_basic=place.basic)
        self._api: Any = self._client.api_client

    def post(self, bucket: Bucket, lines: Sequence[str]) -> None:
        """Write lines with times in ms; on disk at the database when it returns. Raises BadLines."""
        self.send(bucket, "\n".join(lines).encode())

    def send(self, bucket: Bucket, body: bytes) -> None:
        """The same with lines made ready before."""
        if self._place.org is None:
            path = "/write"
            where = {"db": bucket.db, "precision": "ms"} | ({"rp": bucket.rp} if bucket.rp else {})
        else:
            path = "/api/v2/write"
            where = {"org": self._place.org, "bucket": bucket.name, "precision": "ms"}
        with self._translated(writing=True):
            self._api.call_api(
                path,
                "POST",
                query_params=where,
                header_params={"Content-Type": "text/plain; charset=utf-8"},
                body=body,
            )

    def query(self, bucket: Bucket, statement: str, bound: Mapping[str, str | int] | None = None) -> list[Series]:
        """The series that an InfluxQL statement gives, times in ms, whole however many chunks they came in."""
        asked = {"q": statement, "params": json.dumps(bound or {}), "db": bucket.db, "epoch": "ms"}
        asked |= {"chunked": "true", "chunk_size": str(_CHUNK)} | ({"rp": bucket.rp} if bucket.rp else {})
        reading = statement.startswith(("SELECT", "SHOW"))
        with self._translated():
            response = self._api.call_api(
                "/query",
                "GET" if reading else "POST",
                query_params=asked,
                _preload_content=False,  # the library would decode JSON documents as if there were one
                _return_http_data_only=True,
            )
            body = response.data
        return self._joined(body)

    def close(self) -> None:
        """Close the connections."""
        self._client.close()

    def _joined(self, body: bytes) -> list[Series]:
        try:
            documents = _DECODER.decode_lines(body)
        except msgspec.DecodeError as error:
            raise StoreUnavailable(f"{self._place.shown}: its answer broke off or cannot be read ({error})") from error
        results = [result for document in documents for result in document.results]
        troubles = [*(document.error for document in documents), *(result.error for result in results)]
        for trouble in filter(None, troubles):
            raise self._query_error(trouble)
        found = [series for result in results for series in result.series]
        if not results or results[-1].partial or (found and found[-1].partial):
            raise StoreUnavailable(f"{self._place.shown}: its answer broke off before the end")
        return found

    def _query_error(self, text: str) -> StoreUnavailable | StoreRefused:
        """Errors of a query come with status 200, once the answer has begun."""
        if any(words in text.lower() for words in ("not found", "authoriz", "error parsing", "not permitted")):
            return StoreRefused(f"{self._place.shown} refuses a query ({text}): {_CORRECT}")
        return StoreUnavailable(f"{self._place.shown}: {text}")

    @contextmanager
    def _translated(self, *, writing: bool = False) -> Iterator[None]:
        try:
            yield
        except ApiException as error:
            status, text = int(error.status or 0), _words(error)
            if writing and status in (400, 413, 422):
                raise BadLines(text) from error
            if status in (0, 408, 429) or status >= 500:
                raise StoreUnavailable(f"{self._place.shown} cannot now ({status}: {text})") from error
            raise StoreRefused(f"{self._place.shown} refuses us ({status}: {text}): {_CORRECT}") from error
        except HTTPError as error:
            raise StoreUnavailable(f"{self._place.shown} does not answer ({type(error).__name__})") from error


_CORRECT: Final = (
    f"correct the readings' location and {TOKEN_VARIABLE}; both databases, that of the readings and that of "
    "the roll-ups, must exist and be open to us for reading and writing"
)


def _words(error: ApiException) -> str:
    """What the database said, in a line."""
    body = error.body.decode("utf-8", "replace") if isinstance(error.body, bytes) else str(error.body or "")
    try:
        document = json.loads(body)
        body = str(document.get("error") or document.get("message") or body)
    except (ValueError, AttributeError):
        pass
    return " ".join((body or str(error.reason)).split())[:300]
