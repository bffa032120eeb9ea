"""Somebody beside the station who looks at its state and asks it for something, over the broker."""

import queue
import time
import uuid
from types import TracebackType
from typing import Any, Self

import msgspec
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from shared.broker_access import BrokerAccess
from shared.messages import Answer, StationState, Status, requests_topic, topic
from shared.problems import FailureError
from shared.wording import reason_text
from station.link import faults
from station.link.client import KEEPALIVE_S, send_at_once
from station.settings import BrokerSettings

CONNECT_S, STATE_S, ANSWER_S = 5.0, 5.0, 5.0


class Onlooker:
    """Looks at one station; use it as a context."""

    def __init__(self, broker: BrokerSettings, station: str) -> None:
        """Prepare; nothing is opened before the context begins.

        Raises:
            InputError: password or certificate cannot be read.
        """
        self._broker, self._station = broker, station
        self._answers_to = topic_of_answers(station)
        self._states: queue.Queue[bytes] = queue.Queue()
        self._statuses: queue.Queue[bytes] = queue.Queue()
        self._answers: queue.Queue[tuple[bytes | None, bytes]] = queue.Queue()
        self._subscribed: queue.Queue[str] = queue.Queue()
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="", protocol=mqtt.MQTTv5)
        client.on_socket_open = send_at_once
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        access = BrokerAccess(broker.user, broker.password_file, broker.ca_file)
        if access.user is not None:
            client.username_pw_set(access.user, access.password())
        if access.ca_file is not None:
            client.tls_set_context(access.context())
        self._client = client

    def __enter__(self) -> Self:
        """Connect and listen.

        Raises:
            FailureError: the broker cannot be reached or refuses.
        """
        where = f"{self._broker.host}:{self._broker.port}"
        try:
            self._client.connect(self._broker.host, self._broker.port, KEEPALIVE_S)
        except OSError as error:
            raise FailureError(f"Broker {where}: {reason_text(faults.of_error(error))}") from error
        self._client.loop_start()
        try:
            refusal = self._subscribed.get(timeout=CONNECT_S)
        except queue.Empty:
            refusal = reason_text(faults.SILENT)
        if refusal:
            self._leave()
            raise FailureError(f"Broker {where}: {refusal}")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._leave()

    def status(self) -> Status | None:
        """The newest word on whether the station runs; None when it has never been heard."""
        payload = None
        deadline_s = time.monotonic() + 1.0
        while time.monotonic() < deadline_s:
            try:
                payload = self._statuses.get(timeout=0.2)
            except queue.Empty:
                if payload is not None:
                    break
        return None if payload is None else _read(payload, Status)

    def retained_state(self) -> StationState | None:
        """The newest snapshot there is, however old; None when there is none."""
        try:
            return self.state(1.0)
        except FailureError:
            return None

    def state(self, timeout_s: float = STATE_S) -> StationState:
        """The next snapshot; of several that wait, the newest.

        Raises:
            FailureError: none came.
        """
        try:
            payload = self._states.get(timeout=timeout_s)
            while not self._states.empty():
                payload = self._states.get_nowait()
        except queue.Empty:
            raise FailureError(
                f"Nothing from station {self._station} in {timeout_s:g} s. Is it running (benchward status)?"
            ) from None
        state: StationState = _read(payload, StationState)
        return state

    def ask(self, request: str) -> Answer:
        """Ask the station for something, and wait for its answer.

        Raises:
            FailureError: no answer came.
        """
        correlation = uuid.uuid4().bytes
        properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
        properties.ResponseTopic, properties.CorrelationData = self._answers_to, correlation
        properties.MessageExpiryInterval = round(ANSWER_S)
        where = requests_topic(self._station, request)
        self._client.publish(where, request, qos=1, properties=properties)
        deadline_s = time.monotonic() + ANSWER_S
        while (left_s := deadline_s - time.monotonic()) > 0:
            try:
                to, payload = self._answers.get(timeout=left_s)
            except queue.Empty:
                break
            if to == correlation:
                while not self._states.empty():
                    self._states.get_nowait()  # what was before the answer is old now
                answer: Answer = _read(payload, Answer)
                return answer
        raise FailureError(f"Station {self._station} does not answer {request!r}. Is it running?")

    def _leave(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(
        self, client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any
    ) -> None:
        if reason.is_failure:
            self._subscribed.put(reason_text(faults.of_refused_connection(reason.value)))
            return
        station = self._station
        client.subscribe([(topic(station, "state"), 1), (topic(station, "status"), 1), (self._answers_to, 1)])

    def _on_subscribe(
        self, _client: mqtt.Client, _data: Any, _mid: int, reasons: Any, _properties: Any
    ) -> None:
        denied = any(reason.is_failure for reason in reasons)
        self._subscribed.put("It does not let this user read the station's topics." if denied else "")

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        payload = bytes(message.payload)
        if message.topic == self._answers_to:
            self._answers.put((getattr(message.properties, "CorrelationData", None), payload))
        elif message.topic.endswith("/status"):
            self._statuses.put(payload)
        else:
            self._states.put(payload)


def topic_of_answers(station: str) -> str:
    """A response topic of our own, below what the station's role may read."""
    return f"benchward/v1/answers/{station}/{uuid.uuid4().hex}"


def _read(payload: bytes, kind: Any) -> Any:
    try:
        return msgspec.json.decode(payload, type=kind)
    except msgspec.DecodeError as error:
        raise FailureError(
            f"The broker holds {payload[:80]!r}, which is no {kind.__name__}: {error}."
        ) from error
