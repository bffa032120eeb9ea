"""Follows the broker through a shared subscription; acknowledges a message only once it is committed."""

import logging
import queue
import socket
import threading
import time
from typing import Any, NamedTuple

import sqlalchemy.exc
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from dashboard.collector.rows import Row, row_of
from dashboard.collector.store import Store
from shared.messages import topic

IN_FLIGHT = 1000
GATHER_S = 0.05
SESSION_S = 7 * 86_400
RETRY_S = (1.0, 30.0)

_log = logging.getLogger(__name__)


class _Waiting(NamedTuple):
    """A message that is not acknowledged; ``connection`` counts connections, packet ids hold within one."""

    connection: int
    mid: int
    row: Row


class Collector:
    """One of several side by side in a group. ``name`` keeps its session at the broker, one each."""

    def __init__(self, host: str, port: int, group: str, name: str, store: Store) -> None:
        self._host, self._port, self._group, self._store = host, port, group, store
        self._waiting: queue.SimpleQueue[_Waiting] = queue.SimpleQueue()
        self._connection = 0
        self._stop = threading.Event()
        self.written = 0
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2, f"benchward-{group}-{name}", protocol=mqtt.MQTTv5, manual_ack=True
        )
        client.suppress_exceptions = True
        client.enable_logger(_log)
        client.reconnect_delay_set(1, 30)
        client.on_socket_open = _send_at_once
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        self._client = client

    def run(self) -> None:
        """Collect until `stop`; what is not committed then stays with the broker."""
        properties = Properties(PacketTypes.CONNECT)
        properties.SessionExpiryInterval = SESSION_S
        properties.ReceiveMaximum = IN_FLIGHT
        self._client.connect_async(self._host, self._port, 10, clean_start=False, properties=properties)
        self._client.loop_start()
        try:
            while not self._stop.is_set():
                batch = self._gather()
                if batch and self._commit(batch):
                    for told in batch:
                        if told.connection == self._connection:
                            self._client.ack(told.mid, 1)
                    self.written += len(batch)
        finally:
            self._client.disconnect()
            self._client.loop_stop()
            self._store.close()
            _log.info("Stopped after %d messages", self.written)

    def stop(self) -> None:
        """End `run` soon; may be called from a signal handler."""
        self._stop.set()

    def _gather(self) -> list[_Waiting]:
        batch: list[_Waiting] = []
        end_s = time.monotonic() + GATHER_S
        while len(batch) < IN_FLIGHT:
            try:
                batch.append(self._waiting.get(timeout=max(0.001, end_s - time.monotonic())))
            except queue.Empty:
                break
        return batch

    def _commit(self, batch: list[_Waiting]) -> bool:
        """Write until it is written; False if told to stop before that."""
        wait_s = RETRY_S[0]
        while True:
            try:
                self._store.write([told.row for told in batch])
            except (sqlalchemy.exc.SQLAlchemyError, OSError, _driver_error()) as error:
                first = str(error).splitlines()[0]
                _log.warning(
                    "%d messages held, the database refuses: %s; again in %g s", len(batch), first, wait_s
                )
                if self._stop.wait(wait_s):
                    return False
                wait_s = min(2 * wait_s, RETRY_S[1])
            else:
                return True

    def _on_connect(self, client: mqtt.Client, _data: Any, _flags: Any, reason: ReasonCode, _p: Any) -> None:
        if reason.is_failure:
            _log.error("The broker %s:%d refused the connection: %s", self._host, self._port, reason)
            return
        self._connection += 1
        for leaf in ("readings", "events"):
            client.subscribe(f"$share/{self._group}/{topic('+', leaf)}", qos=1)
        _log.info("Collecting from the broker %s:%d in group %s", self._host, self._port, self._group)

    def _on_disconnect(self, _c: mqtt.Client, _data: Any, _flags: Any, reason: ReasonCode, _p: Any) -> None:
        _log.info("The broker %s:%d is gone: %s", self._host, self._port, reason)

    def _on_message(self, client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        row = row_of(message.topic, bytes(message.payload))
        # A publisher that sent with QoS 0 expects no acknowledgement: packet id 0.
        if message.qos == 0:
            self._waiting.put(_Waiting(-1, 0, row))
        else:
            self._waiting.put(_Waiting(self._connection, message.mid, row))


def _driver_error() -> type[Exception]:
    import psycopg  # a small shop with SQLite still has it installed

    return psycopg.Error


def _send_at_once(_client: mqtt.Client, _data: Any, sock: Any) -> None:
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
