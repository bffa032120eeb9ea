"""Asking a station over the broker, as any program would: a request, and its answer by correlation."""

import itertools
import queue
import uuid
from typing import Any

import msgspec
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from shared.broker_access import ANONYMOUS, BrokerAccess
from shared.messages import ROOT, Answer, requests_topic
from shared.problems import FailureError
from station.link.client import send_at_once

CONNECT_S = 10.0


class Asker:
    """A client of one station; use as a context manager, from one thread."""

    def __init__(
        self, host: str, port: int, station: str, name: str, access: BrokerAccess = ANONYMOUS
    ) -> None:
        """Connect to the broker.

        Args:
            host: of the broker.
            port: of the broker.
            station: whom to ask.
            name: who asks; unique at the broker.
            access: how it gets in; anonymous and in the clear without it.

        Raises:
            InputError: a file of the access cannot be read.
            FailureError: the broker cannot be reached.
        """
        self._station = station
        self._answers_topic = access.answers(ROOT, name)
        self._answers: queue.Queue[tuple[bytes, bytes]] = queue.Queue(100)
        self._numbers = itertools.count(1)
        self._first = uuid.uuid4().hex  # no other run's ids: an equal one would be taken for a repeat
        subscribed: queue.Queue[None] = queue.Queue()
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=mqtt.MQTTv5)
        access.open(client)
        client.suppress_exceptions = True
        client.on_socket_open = send_at_once
        client.on_connect = self._on_connect
        client.on_subscribe = lambda *_: subscribed.put(None)
        client.on_message = self._on_message
        self._client = client
        try:
            client.connect(host, port)
        except OSError as error:
            raise FailureError(f"No broker answers at {host}:{port}: {error}.") from error
        client.loop_start()
        try:
            subscribed.get(timeout=CONNECT_S)
        except queue.Empty as error:
            self.close()
            raise FailureError(f"The broker at {host}:{port} does not let {name!r} listen.") from error

    def __enter__(self) -> "Asker":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Leave the broker."""
        self._client.disconnect()
        self._client.loop_stop()

    def ask(self, text: str, timeout_s: float = 5.0) -> Answer | None:
        """Ask, and wait for the answer; None when none comes in time."""
        correlation = f"{self._first}-{next(self._numbers)}".encode()
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        properties.ResponseTopic = self._answers_topic
        properties.CorrelationData = correlation
        where = requests_topic(self._station, text)
        self._client.publish(where, text.encode(), qos=1, properties=properties)
        while True:
            try:
                found, payload = self._answers.get(timeout=timeout_s)
            except queue.Empty:
                return None
            if found == correlation:
                return msgspec.json.decode(payload, type=Answer)

    def _on_connect(self, client: mqtt.Client, *_: Any) -> None:
        client.subscribe(self._answers_topic, options=SubscribeOptions(qos=1))

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        correlation = getattr(message.properties, "CorrelationData", b"")
        if not self._answers.full():
            self._answers.put_nowait((correlation, bytes(message.payload)))
