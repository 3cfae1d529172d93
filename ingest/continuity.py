"""See to it that the bundled broker still keeps messages for the collector, before devices can reach it.

A broker keeps a message for those who subscribed. A disk that fills under NATS, or a damaged file,
can cost it the collector's session or the place of its subscription; it then starts without a word,
acknowledges, and keeps for nobody (both seen with 2.15, made by hand: session file removed, file of
a subscription emptied). So each start is first one that no device can reach: the session is made
anew where it is gone, and what waited under the old one is put in again. Twice is better than never:
the store knows a reading that it has. A session that subscribes to more than is wanted is made anew
at a start at which nothing waits: two subscriptions that cover one topic bring each of its messages
twice, but what waits would go with its subscription, or need room for a second time.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from ingest.brokerurl import BrokerUrl, parse_url
from ingest.errors import BrokerError
from ingest.keeper import HOLD, Keeper
from ingest.session import Session

if TYPE_CHECKING:
    from ingest.broker import Broker

log = logging.getLogger(__name__)

#: Where the server puts what devices publish.
_SUBJECTS: Final = "$MQTT.msgs."


def renew_session(broker: Broker, user: str, client_id: str, filters: Sequence[str]) -> int:
    """Bring the collector's session in order; how many messages had to be put in again.

    broker  runs, and no device can reach it
    Raises BrokerError.
    """
    url = parse_url(broker.url(user))
    needed = {_SUBJECTS + subject for name in filters for subject in subjects_of(name)}
    try:
        with broker.keeper() as keeper:
            before = keeper.subscriptions()
            # Looking writes nothing: a broker whose disk is full may still hand over what it has.
            own = keeper.session_of(client_id)
            well = own is not None and HOLD not in before and own.keys() <= before.keys()
            subscribed = set() if own is None else set(own.values())
            if well and (subscribed <= needed or next(keeper.waiting(keeper.last_place()), None) is not None):
                if not needed <= subscribed:  # the site files want more than before
                    _connect(url, client_id, filters)
                return 0
            again = _renew(keeper, url, client_id, filters, needed)
    except OSError as error:
        raise BrokerError(f"the broker's messages cannot be looked after: {error}") from error
    if well:
        log.info("the collector subscribes to fewer topics than before")
    elif own is not None or before:
        log.error("the broker had lost the collector's session: made anew, %d waiting messages put in again", again)
    return again


def _renew(keeper: Keeper, url: BrokerUrl, client_id: str, filters: Sequence[str], needed: set[str]) -> int:
    """A new session, and for it what waited; begun again from the start if it is broken off."""
    keeper.hold()  # or the messages would go with the last subscription that wants them
    old, newest = keeper.subscriptions().keys(), keeper.last_place()
    _connect(url, client_id, fresh=True)  # one that has lost what belongs to it does not get it back
    _connect(url, client_id, filters)
    if not needed <= set(keeper.subscriptions().values()):
        raise BrokerError("the broker does not keep the collector's subscriptions: is its disk full or damaged?")
    again = 0
    for message in keeper.waiting(newest):
        keeper.put(message)
        again += 1
    keeper.forget(newest)
    for name in sorted(old & keeper.subscriptions().keys(), key=HOLD.__eq__):  # the hold goes last
        keeper.drop(name)
    return again


def subject_of(topic_filter: str) -> str:
    """NATS subject of an MQTT topic filter: levels end with `.`, a literal dot becomes `//`."""
    levels = [level.replace(".", "//") for level in topic_filter.split("/")]
    return ".".join({"+": "*", "#": ">"}.get(level, level) for level in levels)


def topic_of(subject: str) -> str:
    """The MQTT topic of a NATS subject."""
    return "/".join(level.replace("\0", ".") for level in subject.replace("//", "\0").split("."))


def subjects_of(topic_filter: str) -> tuple[str, ...]:
    """Every subject that the server subscribes to for a filter: `a/#` is also the level `a` itself (MQTT 4.7.1.2)."""
    whole = topic_filter.removesuffix("/#")
    return (subject_of(topic_filter),) if whole == topic_filter else (subject_of(topic_filter), subject_of(whole))


def _connect(url: BrokerUrl, client_id: str, filters: Sequence[str] = (), *, fresh: bool = False) -> None:
    """Come back to the session, or make it."""
    Session(url, client_id, filters, fresh=fresh).close()
