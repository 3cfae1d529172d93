"""One MQTT connection, driven by its owner's thread: everything that touches the socket is here.

MQTT 3.1.1, a session that outlives the connection, acknowledgements by hand. A `Session` is one
network connection and is thrown away with it, so no acknowledgement can reach a later one.
"""

from __future__ import annotations

import selectors
import socket
import ssl
import time
from collections.abc import Sequence
from typing import Any, Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.reasoncodes import ReasonCode

from ingest.brokerurl import BrokerUrl
from ingest.bulk import BulkClient, BulkSocket, Message, pubacks
from ingest.errors import BrokerError

#: A batch is closed when it holds this much, whatever the number of its messages.
MOST_BYTES: Final = 4_000_000

_ANSWER_WITHIN_S: Final = 10.0
_KEEPALIVE_S: Final = 30
#: While paho has something to send, the socket is looked at this often.
_PENDING_WRITE_S: Final = 0.01


class Session:
    """A connection to the broker, subscribed. Not for use by several threads.

    filters  at QoS 1: what the broker keeps for us
    extras   at QoS 0, and only if the broker allows it: what it tells of itself
    fresh    let the broker forget what it knows of this client, and all that it keeps for it
    Every method raises BrokerError when the connection is lost or refused; then throw it away.
    """

    def __init__(
        self,
        broker: BrokerUrl,
        client_id: str,
        filters: Sequence[str],
        extras: Sequence[str] = (),
        *,
        fresh: bool = False,
    ) -> None:
        self._broker = broker
        self._connack: ReasonCode | None = None
        self._suback: list[ReasonCode] | None = None
        self._lost: BrokerError | None = None
        self._selector = selectors.DefaultSelector()
        self._writable = selectors.DefaultSelector()
        self._client = BulkClient(
            CallbackAPIVersion.VERSION2, client_id, clean_session=fresh, protocol=mqtt.MQTTv311, manual_ack=True
        )
        self._client.on_connect = self._on_connect
        self._client.on_subscribe = self._on_subscribe
        self._client.connect_timeout = _ANSWER_WITHIN_S
        if broker.user is not None:
            self._client.username_pw_set(broker.user, broker.password)
        if broker.tls:
            self._client.tls_set_context(ssl.create_default_context())
        try:
            self._open()
            if filters or extras:
                self._subscribe(filters, extras)
        except BaseException:
            self.close()
            raise

    def receive(self, wait_s: float, linger_s: float, quiet_s: float, most: int) -> list[Message]:
        """The next messages. [s]

        Waits so long for the first; then for others until nothing comes for `quiet_s`, `linger_s`
        have passed, or there are `most` of them or MOST_BYTES. What had come before the connection
        was lost is returned too: a broker that was killed may not send it again.
        """
        if self._lost is None:
            end = time.monotonic() + wait_s
            while not self._bulk.inbox and (left := end - time.monotonic()) > 0:
                self._turn(left)
        end = time.monotonic() + linger_s
        while (self._bulk.inbox or self._lost) and len(self._bulk.inbox) < most and self._bulk.inbox_bytes < MOST_BYTES:
            try:
                if not self._turn(quiet_s) or time.monotonic() >= end:
                    break
            except BrokerError as error:
                self._lost = error
                break
        batch = self._bulk.take()
        if self._lost is not None and not batch:
            raise self._lost
        return batch

    def acknowledge(self, messages: list[Message]) -> None:
        """Tell the broker that it may forget them. Call it when they are on disk, in their order.

        That the connection is lost is said by `receive`, when there is nothing more to be had from it.
        """
        if self._lost is not None:
            return
        due = pubacks(messages)
        try:
            while self._client.want_write():  # a packet of paho's must not be cut in two
                self._turn(0.1)
            while due:
                self._writable.select(_ANSWER_WITHIN_S)
                due = due[self._bulk.send(due) :]
        except OSError as error:
            self._lost = BrokerError(f"lost the broker at {self._broker.shown}: {error}")
        except BrokerError as error:
            self._lost = error

    def close(self) -> None:
        """Say goodbye. What is not acknowledged, the broker keeps."""
        if self._client.socket() is not None:
            self._client.disconnect()
        self._selector.close()
        self._writable.close()
        if self._client.bulk is not None:
            self._client.bulk.close()

    def __enter__(self) -> Session:
        return self

    def __exit__(self, *_exc: object) -> None:
        self.close()

    def _open(self) -> None:
        try:
            self._client.connect(self._broker.host, self._broker.port, _KEEPALIVE_S)
        except (OSError, ValueError) as error:
            raise BrokerError(
                f"no broker at {self._broker.shown} ({error}): is it running, and is the address right?"
            ) from error
        sock = self._bulk.sock
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._selector.register(sock, selectors.EVENT_READ)
        self._writable.register(sock, selectors.EVENT_WRITE)
        self._await("connect", lambda: self._connack is not None)

    def _subscribe(self, filters: Sequence[str], extras: Sequence[str]) -> None:
        """Always, also when the broker knows the session: the filters may have changed.

        Subscribing again to the same filter loses nothing; it brings the retained status again.
        """
        self._check(self._client.subscribe([*((name, 1) for name in filters), *((name, 0) for name in extras)])[0])
        self._await("subscribe", lambda: self._suback is not None)
        refused = [name for name, code in zip(filters, self._suback or [], strict=False) if code.is_failure]
        if refused:
            raise BrokerError(
                f"the broker at {self._broker.shown} refuses {', '.join(refused)}: let this user subscribe to it"
            )

    def _await(self, what: str, done: Any) -> None:
        end = time.monotonic() + _ANSWER_WITHIN_S
        while not done():
            if time.monotonic() >= end:
                raise BrokerError(f"the broker at {self._broker.shown} does not answer to {what}")
            self._turn(0.1)

    def _turn(self, wait_s: float) -> bool:
        """Wait for the socket, take in what is there, send what is due. Whether anything came."""
        if self._client.socket() is None:
            raise BrokerError(f"the broker at {self._broker.shown} hung up")
        if self._client.want_write():
            self._check(self._client.loop_write())
            wait_s = min(wait_s, _PENDING_WRITE_S)
        came = bool(self._bulk.pending() or self._selector.select(wait_s))
        if came:
            self._check(self._client.loop_read())
            while self._bulk.control:
                self._check(self._client.loop_read())
        self._check(self._client.loop_misc())
        return came

    def _check(self, code: MQTTErrorCode) -> None:
        if self._connack is not None and self._connack.is_failure:
            raise BrokerError(
                f"the broker at {self._broker.shown} refuses user {self._broker.user!r} ({self._connack}): "
                "correct name and password in the broker's URL"
            )
        if code != MQTTErrorCode.MQTT_ERR_SUCCESS:
            raise BrokerError(f"lost the broker at {self._broker.shown}: {mqtt.error_string(code)}")

    def _on_connect(self, _client: object, _userdata: object, _flags: object, code: ReasonCode, _props: object) -> None:
        self._connack = code

    def _on_subscribe(
        self, _client: object, _userdata: object, _mid: int, codes: list[ReasonCode], _props: object
    ) -> None:
        self._suback = codes

    @property
    def _bulk(self) -> BulkSocket:
        bulk = self._client.bulk
        if bulk is None:
            raise BrokerError(f"the broker at {self._broker.shown} hung up")
        return bulk
