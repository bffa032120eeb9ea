"""The MQTT connection: moves values between the broker's network thread and ours, and nothing else.

A callback that raises would end the client's network thread while it still looks connected; so callbacks only
put values into bounded queues.
"""

import logging
import socket
import ssl
import time
from collections import deque
from collections.abc import Callable
from typing import Any, NamedTuple

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from shared.problems import InputError

LOG = logging.getLogger("benchward.link")
PAHO_LOG = logging.getLogger("benchward.link.mqtt")
# Said at every attempt to reconnect, beside our own line that says it once.
PAHO_LOG.addFilter(lambda record: "Client is not connected" not in record.getMessage())
KEEPALIVE_S = 15
RECONNECT_MIN_S, RECONNECT_MAX_S = 1, 30
LARGEST_REQUEST = 4096
QUEUE_LIMIT = 10_000
LARGEST_PACKET = 1 << 20
# A packet is its payload, its topic and a few bytes of header.
HEADER_ROOM = 64


class Incoming(NamedTuple):
    """A request as it came: payload, whether it was retained, and where its answer goes."""

    payload: bytes
    retained: bool
    response_topic: str | None
    correlation: bytes | None
    expires_s: float | None = None
    """On the monotonic clock; None: never."""

    @property
    def expired(self) -> bool:
        """Whether its sender no longer wants it done."""
        return self.expires_s is not None and time.monotonic() >= self.expires_s


class Acked(NamedTuple):
    """The broker's word on a message: ``ok`` False when it refused it."""

    mid: int
    ok: bool


class Connection:
    """A connection that comes back by itself, with a last will."""

    def __init__(
        self,
        client_id: str,
        host: str,
        port: int,
        *,
        will: tuple[str, bytes],
        birth: tuple[str, bytes],
        requests: str,
        in_flight: int,
        wake: Callable[[], None],
    ) -> None:
        """Prepare; nothing is opened before `start`.

        Args:
            client_id: unique at the broker.
            host: of the broker.
            port: of the broker.
            will: topic and payload the broker publishes, retained, when this connection is lost.
            birth: topic and payload published, retained, at each connection.
            requests: topic on which requests come.
            in_flight: messages on their way at once, at most.
            wake: called when something has come.
        """
        self.connected = False
        self.connections = 0
        self.largest_packet = LARGEST_PACKET
        self.acks: deque[Acked] = deque(maxlen=QUEUE_LIMIT)
        self.incoming: deque[Incoming] = deque(maxlen=QUEUE_LIMIT)
        self._host, self._port, self._wake = host, port, wake
        self._birth, self._requests = birth, requests
        self._leaving = False
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id, protocol=mqtt.MQTTv5)
        client.suppress_exceptions = True
        client.enable_logger(PAHO_LOG)
        client.reconnect_delay_set(RECONNECT_MIN_S, RECONNECT_MAX_S)
        client.max_inflight_messages_set(in_flight)
        client.will_set(will[0], will[1], qos=1, retain=True)
        client.on_socket_open = send_at_once
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish
        client.on_message = self._on_message
        self._client = client

    def sign_on(self, user: str, password: str) -> None:
        """Use a name and password."""
        self._client.username_pw_set(user, password)

    def encrypt(self, ca_file: str) -> None:
        """Speak TLS, and believe only brokers whose certificate this CA has signed.

        Raises:
            InputError: the CA's certificate cannot be read.
        """
        try:
            self._client.tls_set_context(ssl.create_default_context(cafile=ca_file))
        except OSError as error:
            raise InputError(f"broker.ca_file {ca_file!r} holds no usable certificate: {error}.") from error

    def start(self) -> None:
        """Begin to connect, and go on trying; returns at once."""
        # A clean start each time: requests sent while the station was away are stale, not pending.
        self._client.connect_async(self._host, self._port, keepalive=KEEPALIVE_S, clean_start=True)
        self._client.loop_start()

    def fits(self, topic: str, payload: bytes) -> bool:
        """Whether the broker takes a message of this size; it would throw us out for a larger one."""
        return len(payload) + len(topic.encode()) + HEADER_ROOM <= self.largest_packet

    def publish(
        self, topic: str, payload: bytes, *, retain: bool = False, correlation: bytes | None = None
    ) -> int | None:
        """Hand over a message at QoS 1; its message id, or None where the client does not take it."""
        properties = None
        if correlation is not None:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.CorrelationData = correlation
        info = self._client.publish(topic, payload, qos=1, retain=retain, properties=properties)
        # Offline, the client says so but keeps the message and sends it later all the same.
        return info.mid if info.rc in (mqtt.MQTT_ERR_SUCCESS, mqtt.MQTT_ERR_NO_CONN) else None

    def stop(self) -> None:
        """Leave the broker and end the network thread."""
        self._leaving = True
        if self.connected:
            self._client.disconnect()
        self._client.loop_stop()
        self.connected = False

    def _on_connect(
        self, client: mqtt.Client, _data: Any, _flags: Any, reason: ReasonCode, properties: Any
    ) -> None:
        if reason.is_failure:
            LOG.error("broker %s:%d refused the connection: %s", self._host, self._port, reason)
            return
        # As published: a retained request stays recognisable even when it comes while we listen.
        options = SubscribeOptions(qos=1, noLocal=True, retainAsPublished=True)
        client.subscribe(self._requests, options=options)
        client.publish(self._birth[0], self._birth[1], qos=1, retain=True)
        announced = getattr(properties, "MaximumPacketSize", None)
        self.largest_packet = min(announced or LARGEST_PACKET, LARGEST_PACKET)
        self.connections += 1
        self.connected = True
        LOG.info("connected to broker %s:%d", self._host, self._port)
        self._wake()

    def _on_disconnect(
        self, _client: mqtt.Client, _data: Any, _flags: Any, reason: ReasonCode, _properties: Any
    ) -> None:
        if self.connected and not self._leaving:
            LOG.warning(
                "broker %s:%d is gone (%s); if this comes again and again, another client may use our name",
                self._host,
                self._port,
                reason,
            )
        self.connected = False
        self._wake()

    def _on_publish(
        self, _client: mqtt.Client, _data: Any, mid: int, reason: ReasonCode, _properties: Any
    ) -> None:
        self.acks.append(Acked(mid, not reason.is_failure))
        self._wake()

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        properties = message.properties
        expiry_s = getattr(properties, "MessageExpiryInterval", None)
        self.incoming.append(
            Incoming(
                bytes(message.payload[: LARGEST_REQUEST + 1]),
                bool(message.retain),
                getattr(properties, "ResponseTopic", None),
                getattr(properties, "CorrelationData", None),
                None if expiry_s is None else time.monotonic() + expiry_s,
            )
        )
        self._wake()


def send_at_once(_client: mqtt.Client, _data: Any, sock: Any) -> None:
    """Small messages must not wait for each other's acknowledgement."""
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
