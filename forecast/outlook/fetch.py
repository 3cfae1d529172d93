"""Asking a weather service, seldom and politely.

One request a call and never a wait: what a service says about when to come back (Expires,
Retry-After) and what it sent last are kept in a small file for each address, so that a
restart forgets neither. Until then, and whenever the service fails, the last answer serves.
"""

from __future__ import annotations

import hashlib
import logging
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from email.utils import parsedate_to_datetime
from pathlib import Path
from typing import Final

import httpx
import msgspec

from ingest.errors import OutlookUnavailable
from ingest.instants import HOUR_MS, MINUTE_MS, SECOND_MS, from_datetime, to_rfc3339
from ingest.private import private_folder

log = logging.getLogger("ullage.outlook")

#: What this program calls itself; the operator's contact follows.
AGENT: Final = "ullage/0.1"
#: Seconds for a connection, for a silence within an answer, and for the whole answer.
TIMEOUT: Final = httpx.Timeout(15.0, connect=5.0)
WHOLE_S: Final = 40.0
#: The largest answer that is read, unpacked. Fifty members of sixteen days are half a megabyte. [bytes]
MOST_BYTES: Final = 8_000_000
#: A service that does not say when to come back is asked at most this often; none is believed beyond the second.
REFRESH_MS: Final = HOUR_MS
LONGEST_MS: Final = 6 * HOUR_MS
#: After a failure: the first pause, doubled with each further one, and the longest.
FIRST_PAUSE_MS: Final = MINUTE_MS
LONGEST_PAUSE_MS: Final = HOUR_MS
#: A Retry-After is believed up to a day.
LONGEST_RETRY_MS: Final = 24 * HOUR_MS


class Kept(msgspec.Struct, frozen=True):
    """What is known of one address: the last answer, its validators, and when to ask again. Instants in UTC ms."""

    url: str
    body: bytes = b""
    fetched_ms: int | None = None
    etag: str | None = None
    last_modified: str | None = None
    next_ms: int = 0
    failures: int = 0
    problem: str | None = None


@dataclass(frozen=True)
class Answer:
    """An answer: its bytes, when they were fetched [UTC ms], and why they are not newer, where that is a failure."""

    body: bytes
    fetched_ms: int
    problem: str | None = None


class Fetcher:
    """Fetches from weather services. `cache` is the folder of the kept answers, made when first needed."""

    def __init__(self, cache: Path, transport: httpx.BaseTransport | None = None) -> None:
        self._cache = cache
        #: What the disk did not take, lest a full one makes us ask without end.
        self._unwritten: dict[str, Kept] = {}
        headers = {"Accept": "application/geo+json, application/json"}
        self._client = httpx.Client(timeout=TIMEOUT, headers=headers, transport=transport, follow_redirects=False)

    def close(self) -> None:
        self._client.close()

    def get(
        self,
        base: str,
        path: str,
        parameters: Mapping[str, str],
        now_ms: int,
        check: Callable[[bytes], object],
        contact: str = "",
    ) -> Answer:
        """The answer to a question, from the service or as it was kept.

        check    reads an answer and raises OutlookUnavailable where it cannot: such a one is not kept
        contact  e-mail or web address of the operator, sent as part of the User-Agent
        Raises OutlookUnavailable when there is no answer; says when the service is asked again.
        """
        url = str(httpx.URL(base.rstrip("/") + path, params=dict(parameters) or None))
        kept = self._unwritten.get(url) or self._read(url)
        if now_ms >= kept.next_ms:
            kept = self._ask(kept, now_ms, check, contact)
            self._write(kept)
        if kept.fetched_ms is None:
            again = to_rfc3339(kept.next_ms - kept.next_ms % SECOND_MS)
            raise OutlookUnavailable(f"{_host(url)}: {kept.problem}; asked again after {again}")
        return Answer(kept.body, kept.fetched_ms, kept.problem)

    def _ask(self, kept: Kept, now_ms: int, check: Callable[[bytes], object], contact: str) -> Kept:
        headers = {"User-Agent": f"{AGENT} {contact}".strip()}
        if kept.etag:
            headers["If-None-Match"] = kept.etag
        if kept.last_modified:
            # The same text that came, as the standard has it (RFC 9110 section 13.1.3, from memory).
            headers["If-Modified-Since"] = kept.last_modified
        try:
            response, body = self._exchange(kept.url, headers)
        except httpx.HTTPError as error:
            return _failed(kept, now_ms, f"no answer ({type(error).__name__})")
        except _TooMuch as error:
            return _failed(kept, now_ms, str(error))
        if response.status_code == httpx.codes.NOT_MODIFIED and kept.fetched_ms is not None:
            return msgspec.structs.replace(kept, next_ms=_next_ms(response, now_ms), failures=0, problem=None)
        if response.status_code in (httpx.codes.OK, httpx.codes.NON_AUTHORITATIVE_INFORMATION):
            if response.status_code == httpx.codes.NON_AUTHORITATIVE_INFORMATION:
                log.warning("%s answers 203: this version of the service will end", _host(kept.url))
            try:
                check(body)
            except OutlookUnavailable as error:
                return _failed(kept, now_ms, f"an answer that cannot be read ({error})")
            return Kept(
                kept.url, body, now_ms, response.headers.get("ETag"), response.headers.get("Last-Modified"),
                _next_ms(response, now_ms),
            )  # fmt: skip
        return _failed(kept, now_ms, _refusal(response), _retry_after_ms(response, now_ms))

    def _exchange(self, url: str, headers: Mapping[str, str]) -> tuple[httpx.Response, bytes]:
        """One request; the body is read as it comes, so that neither its size nor its slowness is without limit."""
        end_s = time.monotonic() + WHOLE_S
        body = bytearray()
        with self._client.stream("GET", url, headers=headers) as response:
            for chunk in response.iter_bytes():
                body += chunk
                if len(body) > MOST_BYTES:
                    raise _TooMuch(f"an answer of more than {MOST_BYTES / 1e6:g} MB")
                if time.monotonic() > end_s:
                    raise _TooMuch(f"an answer that takes more than {WHOLE_S:g} s")
        return response, bytes(body)

    def _file(self, url: str) -> Path:
        return self._cache / f"{hashlib.sha256(url.encode()).hexdigest()[:32]}.outlook"

    def _read(self, url: str) -> Kept:
        try:
            kept = msgspec.msgpack.decode(self._file(url).read_bytes(), type=Kept)
        except FileNotFoundError:
            return Kept(url)
        except (OSError, msgspec.DecodeError) as error:
            log.warning("the kept answer of %s cannot be read (%s): it is fetched anew", _host(url), error)
            return Kept(url)
        return kept if kept.url == url else Kept(url)

    def _write(self, kept: Kept) -> None:
        file = self._file(kept.url)
        try:
            private_folder(self._cache)
            whole = file.with_suffix(".new")
            whole.write_bytes(msgspec.msgpack.encode(kept))
            whole.replace(file)
            self._unwritten.pop(kept.url, None)
        except OSError as error:
            self._unwritten[kept.url] = kept
            log.warning("an answer of %s cannot be kept in %s: %s", _host(kept.url), self._cache, error)


class _TooMuch(Exception):
    """An answer that is too large or too slow."""


def _failed(kept: Kept, now_ms: int, problem: str, retry_ms: int | None = None) -> Kept:
    """What is kept after a failure: the last answer stays, and the pause grows."""
    pause_ms = min(FIRST_PAUSE_MS * 2 ** min(kept.failures, 10), LONGEST_PAUSE_MS)
    next_ms = max(now_ms + pause_ms, retry_ms or 0)
    return msgspec.structs.replace(kept, next_ms=next_ms, failures=kept.failures + 1, problem=problem)


def _refusal(response: httpx.Response) -> str:
    said = f"answers {response.status_code} {response.reason_phrase}".strip()
    if response.status_code == httpx.codes.FORBIDDEN:
        return f"{said}: is the contact right that the settings give?"
    if response.status_code == httpx.codes.NOT_FOUND:
        return f"{said}: it may not cover this place"
    if response.has_redirect_location:
        return f"{said}: it has moved, and only the address of the settings is asked"
    return said


def _next_ms(response: httpx.Response, now_ms: int) -> int:
    """When to ask again after a good answer: as it says, at least a minute and at most LONGEST_MS on."""
    expires_ms = _http_date_ms(response.headers.get("Expires"))
    if expires_ms is None:
        return now_ms + REFRESH_MS
    return min(max(expires_ms, now_ms + MINUTE_MS), now_ms + LONGEST_MS)


def _retry_after_ms(response: httpx.Response, now_ms: int) -> int | None:
    """Retry-After in seconds or as a date. [UTC ms]"""
    text = response.headers.get("Retry-After", "").strip()
    wanted_ms = now_ms + int(text) * SECOND_MS if text.isdecimal() else _http_date_ms(text)
    return None if wanted_ms is None else min(wanted_ms, now_ms + LONGEST_RETRY_MS)


def _http_date_ms(text: str | None) -> int | None:
    """An HTTP date, always UTC. [UTC ms] None where there is none or it cannot be read."""
    try:
        return from_datetime(parsedate_to_datetime(text)) if text else None
    except ValueError:
        return None


def _host(url: str) -> str:
    return httpx.URL(url).host
