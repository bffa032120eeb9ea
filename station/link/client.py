"""The MQTT connection: moves values between the broker's network thread and ours, and nothing else.

A callback that raises would end the client's network thread while it still looks connected; so callbacks only
put values into bounded queues. Each connection that was once open has a client of its own: a client that
reconnects sends again by itself whatever it held, in an order and with messages that nobody can change any
more - a message the broker throws us out for would come back with it for ever.
"""

import logging
import socket
import ssl
import sys
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

from station.link import faults

LOG = logging.getLogger("benchward.link")
PAHO_LOG = logging.getLogger("benchward.link.mqtt")
# Said at every attempt to reconnect, beside our own line that says it once.
PAHO_LOG.addFilter(lambda record: "Client is not connected" not in record.getMessage())
KEEPALIVE_S = 15
RECONNECT_MIN_S, RECONNECT_MAX_S = 1, 30
LARGEST_REQUEST = 4096
# Response topic and correlation data, in bytes: what waits for its turn is kept in memory.
LONGEST_RETURN = 1024
QUEUE_LIMIT = 10_000
LARGEST_PACKET = 1 << 20
MOST_IN_FLIGHT = 65_535
STRIKES = 3
# A packet is its payload, its topic and a few bytes of header.
HEADER_ROOM = 64


class Incoming(NamedTuple):
    """A request as it came: payload, whether it was retained, and where its answer goes."""

    payload: bytes
    retained: bool
    response_topic: str | None
    correlation: bytes | None
    came_s: float = 0.0
    """On the monotonic clock, as is everything here."""
    expiry_s: float | None = None
    """How long from its coming its sender still wants it done; None: for ever."""
    unreturnable: bool = False
    """Its response topic or correlation data is too long to be kept."""
    office: bool = False
    """Whether it came on the topic of the office."""

    def expired(self, now_s: float, older_s: float) -> bool:
        """Whether its sender no longer wants it done; it may be ``older_s`` older than its coming says."""
        return self.expiry_s is not None and now_s + older_s >= self.came_s + self.expiry_s


class Acked(NamedTuple):
    """The broker's word on a message: a reason code of MQTT 5, a failure from 0x80."""

    mid: int
    code: int


class Connection:
    """A connection that comes back by itself, with a last will. `tend` and `publish` belong to one thread."""

    def __init__(
        self,
        client_id: str,
        host: str,
        port: int,
        *,
        will: tuple[str, bytes],
        birth: tuple[str, bytes],
        requests: str,
        office: str,
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
            office: topic on which those come that the broker lets only few ask.
            in_flight: messages on their way at once, at most; fewer where the broker wants fewer.
            wake: called when something has come.
        """
        self.connected = False
        self.connections = 0
        self.dropped = 0  # requests that came faster than they could be looked at
        self.fault = faults.SILENT  # why there is no connection; means nothing while there is one
        self.largest_packet = LARGEST_PACKET
        self.window = in_flight
        self.acks: deque[Acked] = deque()
        self.incoming: deque[Incoming] = deque(maxlen=QUEUE_LIMIT)
        self._id, self._host, self._port, self._wake = client_id, host, port, wake
        self._will, self._birth, self._in_flight = will, birth, in_flight
        self._requests, self._office = requests, office
        self._user: tuple[str, str] | None = None
        self._tls: ssl.SSLContext | None = None
        self._client: mqtt.Client | None = None
        self._ended = False  # this client has done its work; set by its thread, cleared by ours
        self._retry_s, self._delay_s = 0.0, float(RECONNECT_MIN_S)
        self._said: str | None = None
        self._learned = LARGEST_PACKET
        self._strikes = 0
        self._sizes: dict[int, int] = {}  # of messages on their way
        self._early: set[int] = set()

    def sign_on(self, user: str, password: str) -> None:
        """Use a name and password."""
        self._user = (user, password)

    def encrypt(self, context: ssl.SSLContext) -> None:
        """Speak TLS."""
        self._tls = context

    def start(self) -> None:
        """Begin to connect, and go on trying; returns at once."""
        self._client = client = self._made()
        # A clean start each time: requests sent while the station was away are stale, not pending.
        client.connect_async(self._host, self._port, keepalive=KEEPALIVE_S, clean_start=True)
        client.loop_start()

    def tend(self) -> bool:
        """Begin anew some time after a connection has ended; True if it did, with a new client."""
        if not self._ended or self._client is None or time.monotonic() < self._retry_s:
            return False
        self._client.loop_stop()  # its thread is on its way out
        self._ended = False
        self.acks.clear()  # of message ids that the next client gives out again
        self._sizes.clear()
        self._early.clear()
        self.start()
        return True

    def drop(self) -> None:
        """Give up a connection on which nothing comes back any more."""
        self.connected = False
        self.fault = faults.SILENT
        if self._client is not None:
            self._client.disconnect()
        self._end()

    @property
    def under_way(self) -> int:
        """Messages that the broker has not acknowledged yet."""
        return len(self._sizes)

    def fits(self, topic: str, payload: bytes) -> bool:
        """Whether the broker takes a message of this size; it would throw us out for a larger one."""
        return _size(topic, payload) <= self.largest_packet

    def publish(
        self, topic: str, payload: bytes, *, retain: bool = False, correlation: bytes | None = None
    ) -> int | None:
        """Hand over a message at QoS 1; its message id, or None where the client does not take it."""
        client = self._client
        if client is None:
            return None
        properties = None
        if correlation is not None:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.CorrelationData = correlation
        info = client.publish(topic, payload, qos=1, retain=retain, properties=properties)
        # Offline, the client says so but keeps the message; with the client it is forgotten then.
        if info.rc not in (mqtt.MQTT_ERR_SUCCESS, mqtt.MQTT_ERR_NO_CONN):
            return None
        self._sizes[info.mid] = _size(topic, payload)
        if info.mid in self._early:
            self._early.discard(info.mid)
            self._sizes.pop(info.mid, None)
        return info.mid

    def stop(self) -> None:
        """Leave the broker and end the network thread."""
        client, self._client = self._client, None
        if client is None:
            return
        if self.connected:
            client.disconnect()
        client.loop_stop()
        self.connected = False

    def _made(self) -> mqtt.Client:
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=self._id,
            protocol=mqtt.MQTTv5,
            reconnect_on_failure=False,
        )
        client.suppress_exceptions = True
        client.enable_logger(PAHO_LOG)
        client.max_inflight_messages_set(self.window)  # as far as this broker has told
        client.will_set(self._will[0], self._will[1], qos=1, retain=True)
        if self._user is not None:
            client.username_pw_set(*self._user)
        if self._tls is not None:
            client.tls_set_context(self._tls)
        client.on_socket_open = send_at_once
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish
        client.on_message = self._on_message
        return client

    def _tell(self, fault: str, why: object) -> None:
        """Keep why there is no connection, and say it once."""
        if fault != self._said:
            LOG.error("no link to broker %s:%d: %s (%s)", self._host, self._port, why, fault)
        self.fault = self._said = fault

    def _end(self) -> None:
        """Let the next client come after a while, longer from time to time."""
        if self._ended:
            return
        self._retry_s = time.monotonic() + self._delay_s
        self._delay_s = min(2 * self._delay_s, RECONNECT_MAX_S)
        self._ended = True
        self._wake()

    def _on_connect(
        self, client: mqtt.Client, _data: Any, _flags: Any, reason: ReasonCode, properties: Any
    ) -> None:
        if client is not self._client:
            return
        if reason.is_failure:
            self._tell(faults.of_refused_connection(reason.value), reason)
            return
        # As published: a retained request stays recognisable even when it comes while we listen.
        options = SubscribeOptions(qos=1, noLocal=True, retainAsPublished=True)
        client.subscribe([(self._requests, options), (self._office, options)])
        client.publish(self._birth[0], self._birth[1], qos=1, retain=True)
        announced = getattr(properties, "MaximumPacketSize", None)
        self.largest_packet = min(announced or LARGEST_PACKET, self._learned)
        self.window = min(self._in_flight, getattr(properties, "ReceiveMaximum", MOST_IN_FLIGHT))
        self._delay_s = float(RECONNECT_MIN_S)
        self._said = None
        self.connections += 1
        self.connected = True
        LOG.info("connected to broker %s:%d", self._host, self._port)
        self._wake()

    def _on_connect_fail(self, client: mqtt.Client, _data: Any) -> None:
        if client is self._client:
            error = sys.exception()  # called while the client handles it
            self._tell(faults.of_error(error), error)
            self._end()

    def _on_disconnect(
        self, client: mqtt.Client, _data: Any, _flags: Any, reason: ReasonCode, _properties: Any
    ) -> None:
        if client is not self._client or self._ended:
            return
        if self.connected:
            self.connected = False
            self.fault = faults.of_loss(reason.value)
            LOG.warning("broker %s:%d is gone: %s (%s)", self._host, self._port, reason, self.fault)
            # Some brokers acknowledge with "packet too large", which no acknowledgement may say: the client
            # ends the connection over it, and all that is left to see is this, again and again.
            self._strikes += reason.value == faults.PROTOCOL_ERROR
            told = reason.value == faults.PACKET_TOO_LARGE
            if told or (reason.value == faults.PROTOCOL_ERROR and self._strikes >= STRIKES):
                self._learn()
        elif reason.value == faults.KEEPALIVE_TIMEOUT:
            self._tell(faults.SILENT, reason)
        self._end()

    def _learn(self) -> None:
        """The largest message on its way was too large for a broker that had not told its limit."""
        sizes = list(self._sizes.values())
        if sizes:
            self._learned = min(self._learned, max(sizes) - 1)
            LOG.warning("the broker takes no packets of %d bytes; larger ones are set aside", max(sizes))

    def _on_publish(
        self, client: mqtt.Client, _data: Any, mid: int, reason: ReasonCode, _properties: Any
    ) -> None:
        if client is self._client:
            if self._sizes.pop(mid, None) is None:
                self._early.add(mid)  # before `publish` has told its size; each looks for what the other did
                if self._sizes.pop(mid, None) is not None:
                    self._early.discard(mid)
            self.acks.append(Acked(mid, reason.value))
            # Many are worked off together: when the window has room worth filling, or nothing is under way.
            if not self._sizes or len(self.acks) >= self.window // 4:
                self._wake()

    def _on_message(self, client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        if client is not self._client:
            return
        properties = message.properties
        expiry_s = getattr(properties, "MessageExpiryInterval", None)
        where = getattr(properties, "ResponseTopic", None)
        correlation = getattr(properties, "CorrelationData", None)
        long = max(len((where or "").encode()), len(correlation or b"")) > LONGEST_RETURN
        if len(self.incoming) == QUEUE_LIMIT:
            self.dropped += 1  # the oldest goes
        self.incoming.append(
            Incoming(
                bytes(message.payload[: LARGEST_REQUEST + 1]),
                bool(message.retain),
                None if long else where,
                None if long else correlation,
                time.monotonic(),
                expiry_s,
                long,
                message.topic == self._office,
            )
        )
        self._wake()


def _size(topic: str, payload: bytes) -> int:
    """Of a packet, in bytes, at most."""
    return len(payload) + len(topic.encode()) + HEADER_ROOM


def send_at_once(_client: mqtt.Client, _data: Any, sock: Any) -> None:
    """Small messages must not wait for each other's acknowledgement."""
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
