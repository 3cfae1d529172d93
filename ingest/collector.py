"""From the broker to the store: receive, read, check, commit, and only then acknowledge.

One thread and no queue, so the order is plain to see: a message is acknowledged on the
connection it came by, after the commit that holds it returned. Whatever goes wrong before that
leaves it with the broker, which sends it again.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from ingest.brokerurl import BrokerUrl
from ingest.bulk import Message
from ingest.errors import BrokerError, StoreUnavailable
from ingest.payload import Decoded, Decoder
from ingest.quality import Checks
from ingest.reading import Reading, Reject
from ingest.session import Session
from ingest.store.readings import ReadingStore

log = logging.getLogger(__name__)

#: How long a first message waits for company before the commit: never longer than this, and no
#: longer than nothing else comes. Brokers that send few at a time would else wait for us.
_LINGER_S: Final = 0.05
_QUIET_S: Final = 0.003
#: What the brokers are set to send unacknowledged.
_MOST: Final = 1000
#: How soon a request to stop is seen.
_WAIT_S: Final = 0.2
#: How often, and with how many reasons each time, the log names a topic whose messages are refused; and of how many
#: topics it remembers that.
_TELL_EVERY_MS: Final = 60_000
_MOST_REASONS: Final = 5
_MOST_TOLD: Final = 1_000
_BACK_OFF_S: Final = (0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 30.0)


def system_clock() -> int:
    """Now. [UTC ms]"""
    return time.time_ns() // 1_000_000


@dataclass
class Counters:
    """What the collector has done since it started, and what holds it up.

    last_commit_ms  None: none yet [UTC ms]
    connected       whether it listens to the broker
    trouble         why it does not work right now, in words; None: it works
    """

    messages: int = 0
    readings: int = 0
    rejects: int = 0
    commits: int = 0
    last_commit_ms: int | None = None
    connected: bool = False
    trouble: str | None = None


class Collector:
    """Takes the messages of one session into a store.

    clock    gives now [UTC ms]
    extras   topics of which the decoder knows and the broker need not
    between  called with now after each batch, and when there is none: for the store's upkeep
    """

    def __init__(
        self,
        broker: BrokerUrl,
        client_id: str,
        decoder: Decoder,
        checks: Checks,
        store: ReadingStore,
        clock: Callable[[], int] = system_clock,
        between: Callable[[int], None] | None = None,
        extras: Sequence[str] = (),
    ) -> None:
        self._broker = broker
        self._client_id = client_id
        self._decoder = decoder
        self._checks = checks
        self._store = store
        self._clock = clock
        self._between = between
        self._extras = extras
        self._told: dict[str, tuple[int, set[str]]] = {}
        self.counters = Counters()

    def run(self, stop: threading.Event) -> None:
        """Collect until told to stop, through any absence of broker or store.

        Raises StoreCorrupt, and anything unexpected: then the process must end and be restarted.
        """
        failures = 0
        while not stop.is_set():
            commits = self.counters.commits
            try:
                self._store.ping()
                with Session(self._broker, self._client_id, self._decoder.filters, self._extras) as session:
                    self._went_well()
                    self._serve(session, stop)
            except (BrokerError, StoreUnavailable) as error:
                failures = 0 if self.counters.commits > commits else failures + 1
                self._went_wrong(error)
                stop.wait(_BACK_OFF_S[min(failures, len(_BACK_OFF_S) - 1)])
            finally:
                self.counters.connected = False

    def _serve(self, session: Session, stop: threading.Event) -> None:
        """Batch after batch. On a failure nothing of the batch is acknowledged, and the session is closed."""
        while not stop.is_set():
            batch = session.receive(_WAIT_S, _LINGER_S, _QUIET_S, _MOST)
            if batch:
                self._commit(batch)
                session.acknowledge(batch)
            if self._between is not None:
                self._between(self._clock())

    def _commit(self, batch: list[Message]) -> None:
        now_ms = self._clock()
        readings: list[Reading] = []
        rejects: list[Reject] = []
        for message in batch:
            decoded = self._decode(message, now_ms)
            readings += decoded.readings
            rejects += decoded.rejects
        result = self._store.write(self._checks.flag(readings, now_ms), rejects)
        counters = self.counters
        counters.messages += len(batch)
        counters.readings += result.accepted
        counters.rejects += len(rejects) + len(result.rejected)
        counters.commits += 1
        counters.last_commit_ms = now_ms
        self._tell([*rejects, *result.rejected], now_ms)

    def _tell(self, rejects: Sequence[Reject], now_ms: int) -> None:
        """Refusals go to the log too, of each topic a few in a while: whoever sets a device up looks there."""
        for reject in rejects:
            since_ms, reasons = self._told.get(reject.topic, (now_ms, set()))
            if now_ms - since_ms >= _TELL_EVERY_MS:
                since_ms, reasons = now_ms, set()
            if reject.reason not in reasons and len(reasons) < _MOST_REASONS:
                if len(self._told) >= _MOST_TOLD:
                    self._told.clear()
                self._told[reject.topic] = since_ms, {*reasons, reject.reason}
                log.warning("refused on %s: %s", reject.topic, reject.reason)

    def _decode(self, message: Message, now_ms: int) -> Decoded:
        try:
            return self._decoder.decode(message.topic, message.payload, now_ms)
        except Exception as error:
            # A mistake of ours, which the broker would send again and again: it must not stop the others.
            log.exception("a message on %s could not be read", message.topic)
            reason = f"a fault in this program: {type(error).__name__}: {error}; please report it with this payload"
            return Decoded([], [Reject(now_ms, message.topic, reason, message.payload)])

    def _went_well(self) -> None:
        self.counters.connected = True
        self.counters.trouble = None
        log.info("collecting from %s", self._broker.shown)

    def _went_wrong(self, error: Exception) -> None:
        trouble = str(error)
        if trouble != self.counters.trouble:  # once, not at every try
            log.warning("not collecting, and trying again: %s", trouble)
        self.counters.trouble = trouble
