"""Follows the broker and acknowledges a message only once it is committed.

The broker keeps a session under the collector's name. What was sent and not acknowledged comes again to the
same name, so a collector that is killed, or whose database is away, loses nothing; the window of messages in
flight is all that it holds in memory. A collector alone subscribes plainly; those of a group share. Mosquitto
2.0.11 forgets a shared subscription when it restarts, until a collector is back, so alone is the safer way.
"""

import logging
import queue
import socket
import ssl
import threading
import time
from pathlib import Path
from typing import Any, NamedTuple

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from dashboard.collector.rows import Row, SetAside, Told, row_of
from dashboard.collector.sieve import write_all
from dashboard.collector.store import AwayError, Store
from shared.messages import topic
from shared.problems import InputError

IN_FLIGHT = 8000
GATHER_S = 0.05
KEEPALIVE_S = 10
FAREWELL_S = 5.0
SESSION_S = 7 * 86_400
RETRY_S = (1.0, 30.0)
LEAVES = ("readings", "events")

_log = logging.getLogger(__name__)


class BrokerAccess(NamedTuple):
    """How to reach the broker. ``ca_file``: with it the connection is encrypted."""

    host: str
    port: int
    user: str | None = None
    password_file: Path | None = None
    ca_file: Path | None = None


class _Waiting(NamedTuple):
    """A message not acknowledged yet. ``mid``: packet id, holds within one connection; 0: wants no answer."""

    connection: int
    mid: int
    row: Row | SetAside


class Collector:
    """One alone, or of several in a ``group``. ``name`` keeps its session at the broker, one each.

    Attributes:
        written: how many messages were committed and acknowledged.
    """

    def __init__(self, broker: BrokerAccess, group: str | None, name: str, store: Store) -> None:
        self._broker, self._group, self._store = broker, group, store
        self._waiting: queue.SimpleQueue[_Waiting | None] = queue.SimpleQueue()
        self._connection = 0
        self._lock = threading.Lock()
        # A plain flag: a signal handler that wants a lock may wait for the very code that it interrupts.
        self._stopping = False
        self._answered = threading.Event()
        self.written = 0
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            f"benchward-{group or 'alone'}-{name}",
            protocol=mqtt.MQTTv5,
            manual_ack=True,
        )
        client.suppress_exceptions = True
        client.enable_logger(logging.getLogger("paho"))
        client.reconnect_delay_set(1, 5)
        client.on_socket_open = _send_at_once
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        client.on_subscribe = lambda *_: self._answered.set()
        self._client = client
        self._sign_on(broker)

    def _sign_on(self, broker: BrokerAccess) -> None:
        if broker.user is not None:
            password = None
            if broker.password_file is not None:
                try:
                    password = broker.password_file.read_text().strip()
                except (OSError, ValueError) as error:
                    raise InputError(
                        f"The password file {broker.password_file} cannot be read: {error}."
                    ) from error
            self._client.username_pw_set(broker.user, password)
        if broker.ca_file is not None:
            try:
                self._client.tls_set_context(ssl.create_default_context(cafile=broker.ca_file))
            except OSError as error:
                raise InputError(f"{broker.ca_file} holds no usable certificate: {error}.") from error

    def run(self) -> None:
        """Collect until `stop`; what is not committed then stays with the broker."""
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = SESSION_S
        properties.ReceiveMaximum = IN_FLIGHT
        host, port = self._broker.host, self._broker.port
        self._client.connect_async(host, port, KEEPALIVE_S, clean_start=False, properties=properties)
        self._client.loop_start()
        try:
            while not self._stopping:
                batch = self._gather()
                if batch and self._commit(batch):
                    self._acknowledge(batch)
        finally:
            self._let_go()
            self._client.disconnect()
            self._client.loop_stop()
            self._store.close()
            _log.info("Stopped after %d messages", self.written)

    def stop(self) -> None:
        """End `run` soon; may be called from a signal handler."""
        self._stopping = True
        # A signal in the last moment of a timed `get` makes that wait for ever (seen in CPython 3.11.7).
        self._waiting.put(None)

    def _gather(self) -> list[_Waiting]:
        """What has come: up to a full window, but no longer than a moment after the first."""
        batch: list[_Waiting] = []
        end_s = time.monotonic() + GATHER_S
        while len(batch) < IN_FLIGHT:
            try:
                told = self._waiting.get(timeout=max(0.001, end_s - time.monotonic()))
            except queue.Empty:
                break
            if told is None:
                break
            batch.append(told)
        return batch

    def _commit(self, batch: list[_Waiting]) -> bool:
        """Write until it is written; False if told to stop before that."""
        wait_s, longest_s = RETRY_S
        while True:
            try:
                write_all(self._store, [told.row for told in batch])
            except AwayError as error:
                _log.warning(
                    "%d messages wait, the database is away: %s; again in %g s", len(batch), error, wait_s
                )
                self._pause(wait_s)
                if self._stopping:
                    return False
                wait_s = min(2 * wait_s, longest_s)
            else:
                return True

    def _acknowledge(self, batch: list[_Waiting]) -> None:
        """Tell the broker, unless the connection is another by now: it sends those again."""
        with self._lock:
            for told in batch:
                if told.mid and told.connection == self._connection:
                    self._client.ack(told.mid, 1)
        self.written += len(batch)

    def _let_go(self) -> None:
        """Wait until the broker has read the last acknowledgements.

        Closing a connection on which more is coming resets it, and what the broker has not read is lost. The
        broker reads in order, so its answer to a subscription that it has already says that it got so far.
        """
        if self._client.is_connected():
            self._answered.clear()
            self._subscribe(self._client)
            self._answered.wait(FAREWELL_S)

    def _subscribe(self, client: mqtt.Client) -> None:
        shared = f"$share/{self._group}/" if self._group else ""
        client.subscribe([(f"{shared}{topic('+', leaf)}", 1) for leaf in LEAVES])

    def _pause(self, seconds: float) -> None:
        """Wait, unless told to stop."""
        end_s = time.monotonic() + seconds
        while not self._stopping and time.monotonic() < end_s:
            time.sleep(0.1)

    def _next_connection(self) -> None:
        """Packet ids of before mean nothing from here on."""
        with self._lock:
            self._connection += 1

    def _on_connect(self, client: mqtt.Client, _data: Any, _flags: Any, reason: ReasonCode, _p: Any) -> None:
        host, port = self._broker.host, self._broker.port
        if reason.is_failure:
            _log.error("The broker %s:%d refused the connection: %s", host, port, reason)
            return
        self._next_connection()
        self._subscribe(client)
        _log.info("Collecting from the broker %s:%d %s", host, port, self._group or "alone")

    def _on_connect_fail(self, _client: mqtt.Client, _data: Any) -> None:
        _log.warning("The broker %s:%d does not answer", self._broker.host, self._broker.port)

    def _on_disconnect(self, _c: mqtt.Client, _data: Any, _flags: Any, reason: ReasonCode, _p: Any) -> None:
        self._next_connection()
        _log.info("The broker %s:%d is gone: %s", self._broker.host, self._broker.port, reason)

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        row = row_of(Told(message.topic, bytes(message.payload)))
        self._waiting.put(_Waiting(self._connection, message.mid if message.qos else 0, row))


def _send_at_once(_client: mqtt.Client, _data: Any, sock: Any) -> None:
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
