"""The broker's side of the board: follows every station's state, status and events.

The only module of the pages that knows the MQTT client. The client reconnects by itself; nothing here blocks
a caller, and an exception in a callback is logged and does not end the client's thread.

Whoever asked was told after some seconds that no answer came. So a request that was given up must not set
out later: what the client holds when a connection is lost is thrown away, and a connection on which the
broker has not even taken a request is broken off, with all that still waits in it.
"""

import logging
import math
import socket
import struct
import uuid
from concurrent.futures import Future
from contextlib import suppress
from typing import Any

import msgspec
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from dashboard.board import Board
from shared.broker_access import ANONYMOUS, BrokerAccess
from shared.messages import ROOT, Answer, requests_topic, topic

LEAVES = ("state", "status", "events")
KEEPALIVE_S = 10
# Closed with this, a connection ends at once and what it had not sent yet is gone.
_ABORT = struct.pack("ii", 1, 0)

_log = logging.getLogger(__name__)


class Live(Board):
    """A board that follows a broker between `start` and `stop`."""

    def __init__(self, host: str, port: int, access: BrokerAccess = ANONYMOUS) -> None:
        super().__init__()
        self._host = host
        self._port = port
        name = f"benchward-pages-{uuid.uuid4().hex[:12]}"
        self._answers = access.answers(ROOT, name)
        self._waiting: dict[bytes, Future[Answer]] = {}
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=mqtt.MQTTv5)
        access.open(client)
        client.suppress_exceptions = True
        client.enable_logger(_log)
        client.reconnect_delay_set(min_delay=1, max_delay=30)
        client.on_socket_open = _send_at_once
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        self._client = client

    def start(self) -> None:
        """Begin to follow the broker; returns at once, whether or not the broker is there."""
        self._client.connect_async(self._host, self._port, keepalive=KEEPALIVE_S)
        self._client.loop_start()

    def stop(self) -> None:
        """Leave the broker and end the streams; may be called more than once."""
        self.closing = True
        self._client.disconnect()
        self._client.loop_stop()
        self.connected = False

    def ask(self, station: str, text: str, timeout_s: float) -> Answer | None:
        """Ask a station; its answer, or None where none came in time, and then it is not sent any later.

        May be called from any thread.
        """
        if not self.connected:
            return None
        correlation = uuid.uuid4().bytes
        answer: Future[Answer] = Future()
        self._waiting[correlation] = answer
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        properties.ResponseTopic = self._answers
        properties.CorrelationData = correlation
        properties.MessageExpiryInterval = math.ceil(timeout_s)
        line = self._client.socket()
        try:
            sent = self._client.publish(
                requests_topic(station, text), text.encode(), qos=1, properties=properties
            )
            return answer.result(timeout_s)
        except TimeoutError:
            if sent.rc != mqtt.MQTT_ERR_SUCCESS or not sent.is_published():
                _log.warning("The broker %s:%d has not taken a request: hung up", self._host, self._port)
                _break_off(line)
            return None
        finally:
            self._waiting.pop(correlation, None)

    def _take_answer(self, message: mqtt.MQTTMessage) -> None:
        correlation = getattr(message.properties, "CorrelationData", None)
        waiting = self._waiting.get(correlation) if correlation is not None else None
        if waiting is None or waiting.done():
            return
        try:
            waiting.set_result(msgspec.json.decode(message.payload, type=Answer))
        except (ValueError, RecursionError, msgspec.MsgspecError) as error:
            self.bad_payloads += 1
            _log.warning("Dropped an answer: %s", error)

    def _on_connect(
        self, client: mqtt.Client, _data: Any, _flags: Any, reason: ReasonCode, _properties: Any
    ) -> None:
        if reason.is_failure:
            _log.error("The broker %s:%d refused the connection: %s", self._host, self._port, reason)
            return
        client.drop_out_messages()  # of an earlier connection; it would send them again
        wanted = [*(topic("+", leaf) for leaf in LEAVES), self._answers]
        client.subscribe([(name, SubscribeOptions(qos=1)) for name in wanted])
        self.connected = True
        _log.info("Following the broker %s:%d", self._host, self._port)

    def _on_connect_fail(self, _client: mqtt.Client, _data: Any) -> None:
        _log.warning("No broker answers at %s:%d; trying again", self._host, self._port)

    def _on_disconnect(
        self, _client: mqtt.Client, _data: Any, _flags: Any, reason: ReasonCode, _properties: Any
    ) -> None:
        if self.connected:
            _log.log(
                logging.INFO if self.closing else logging.WARNING,
                "The broker %s:%d is gone: %s",
                self._host,
                self._port,
                reason,
            )
        self.connected = False

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        if message.topic == self._answers:
            self._take_answer(message)
        else:
            self.receive(message.topic, bytes(message.payload), message.retain)


def _break_off(line: Any) -> None:
    """End a connection, if it is one still, so that nothing written to it goes out any more.

    The client's own thread sees the end of what it reads, and closes it.
    """
    if line is not None:
        with suppress(OSError):
            line.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _ABORT)
            socket.socket.shutdown(line, socket.SHUT_RD)  # under TLS too: that of `line` would end TLS first


def _send_at_once(_client: mqtt.Client, _data: Any, sock: Any) -> None:
    """Acknowledgements must not wait for more data to send."""
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
