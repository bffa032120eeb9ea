"""The link: follows the journal by a cursor, shows the newest state, and takes requests.

There is no outbox: the journal is the outbox, and the cursor in it says up to where the broker has
acknowledged. One thread of ours does all of it; the station never waits for it.
"""

import logging
import threading
import time
from collections.abc import Callable
from pathlib import Path

from shared.history import History, Place
from shared.messages import Answer, Head, StationState, Status, cloud_event, encode, senml, topic
from shared.problems import InputError
from shared.requests import AnyRequest, Unreadable, parse_json, parse_text
from station.journal.ledger import Cursor
from station.journal.writer import Journal
from station.link.client import LARGEST_REQUEST, Connection, Incoming
from station.link.repeats import Repeats
from station.link.stream import Stream
from station.settings import BrokerSettings

LOG = logging.getLogger("benchward.link")
IDLE_S = 0.2
STATE_GAP_S = 0.1
# How soon a snapshot that came too soon after the last one is looked at again.
STATE_LOOK_S = 0.02
HEAD_GAP_S = 1.0
CURSOR_GAP_S = 1.0
FAREWELL_S = 5.0
AFTER_REFUSAL_S = 5.0
AFTER_STUMBLE_S = 1.0

Ask = Callable[[AnyRequest | Unreadable, Callable[[Answer], None] | None], bool]


class Link:
    """The station's side of the broker; every method may be called from any thread."""

    def __init__(self, broker: BrokerSettings, station: str, journal: Journal, ask: Ask) -> None:
        """Prepare; nothing is opened before `start`.

        Args:
            broker: where it is, and how many messages may be on their way.
            station: this station's name.
            journal: what to follow.
            ask: hands a request to the next tick, with who waits for its answer; False when it is full.

        Raises:
            InputError: the password file cannot be read.
        """
        self._station, self._journal, self._ask, self._window = station, journal, ask, broker.window
        self.beat_s = time.monotonic()  # when the thread last turned, with or without a broker
        self._wake = threading.Event()
        self._stop = threading.Event()
        self._state: StationState | None = None
        self._state_shown_s = float("-inf")
        self._cursor_saved_s = float("-inf")
        self._head_shown: tuple[int, float] = (0, float("-inf"))
        self._refused_s = float("-inf")
        self.refused = 0
        self.put_aside = 0
        self._repeats = Repeats()
        journal.on_written = self._wake.set
        status = topic(station, "status")
        self._connection = Connection(
            f"benchward-{station}",
            broker.host,
            broker.port,
            will=(status, encode(Status(online=False, reason="lost"))),
            birth=(status, encode(Status(online=True, reason="running"))),
            requests=topic(station, "requests"),
            in_flight=broker.window,
            wake=self._wake.set,
        )
        if broker.user is not None:
            self._connection.sign_on(broker.user, _password(broker.password_file))
        if broker.ca_file is not None:
            self._connection.encrypt(broker.ca_file)
        self._events: Stream[int] = Stream(0)
        self._readings: Stream[Place] = Stream(Place(0, -1))
        self._saved: tuple[int, Place] = (0, Place(0, -1))
        self._thread = threading.Thread(target=self._run, name="link", daemon=True)

    @property
    def up(self) -> bool | None:
        """Whether the broker can be reached and this link still works."""
        return self._connection.connected and self._thread.is_alive()

    @property
    def acknowledged(self) -> int:
        """Readings and events that the broker has acknowledged in this run."""
        return self._events.acknowledged + self._readings.acknowledged

    def show(self, state: StationState) -> None:
        """Take the newest snapshot; an older one that has not gone out is forgotten."""
        self._state = state
        self._wake.set()

    def start(self) -> None:
        """Begin to connect and to follow."""
        self.beat_s = time.monotonic()
        self._connection.start()
        self._thread.start()

    def stop(self) -> None:
        """Send what is left as long as the broker takes it, say farewell, and end."""
        self._stop.set()
        self._wake.set()
        if self._thread.is_alive():
            self._thread.join(2 * FAREWELL_S)

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                self._follow()
            except Exception:
                LOG.exception("the link stumbled; it begins again")
                self.beat_s = time.monotonic()
                self._stop.wait(AFTER_STUMBLE_S)
        self._connection.stop()

    def _follow(self) -> None:
        with History(self._journal.path) as history:
            self._events = Stream(history.cursor("link-events").second)
            self._readings = Stream(history.cursor("link-readings"))
            self._saved = (self._events.cursor, self._readings.cursor)
            while not self._stop.is_set():
                self.beat_s = time.monotonic()
                self._wake.wait(IDLE_S if self._state is None else STATE_LOOK_S)
                self._wake.clear()
                self._turn(history)
            self._farewell(history)

    def _turn(self, history: History) -> None:
        self._take_acks()
        self._take_requests()
        if self._connection.connected:
            self._send_state()
            self._send_head()
            if time.monotonic() - self._refused_s >= AFTER_REFUSAL_S:
                self._send_events(history)
                self._send_readings(history)
        self._save_cursors()

    def _take_acks(self) -> None:
        while self._connection.acks:
            mid, ok = self._connection.acks.popleft()
            if ok:
                self._events.landed(mid)
                self._readings.landed(mid)
            else:
                self.refused += 1
                self._refused_s = time.monotonic()
                LOG.error("the broker refused message %d; sending again in %g s", mid, AFTER_REFUSAL_S)
                self._events.rewind()
                self._readings.rewind()

    def _send_state(self) -> None:
        state, now_s = self._state, time.monotonic()
        if state is None:
            return
        if now_s - self._state_shown_s < STATE_GAP_S:
            return  # the next look is soon enough
        self._state, self._state_shown_s = None, now_s
        self._connection.publish(topic(self._station, "state"), encode(state), retain=True)

    def _send_head(self) -> None:
        """Tell the head of the chain when it has moved, once a second at most."""
        (seq, digest), (shown, shown_s) = self._journal.head, self._head_shown
        if seq == shown or time.monotonic() - shown_s < HEAD_GAP_S:
            return
        self._head_shown = (seq, time.monotonic())
        head = encode(Head(seq=seq, hash=digest))
        self._connection.publish(topic(self._station, "head"), head, retain=True)

    def _send_events(self, history: History) -> None:
        room = self._window // 2 - self._events.in_flight
        if room <= 0:
            return
        for record, wall_ms in history.event_page(self._events.sent, room):
            payload = encode(cloud_event(self._station, record, wall_ms))
            if not self._connection.fits(topic(self._station, "events"), payload):
                self._put_aside("event", record.seq, payload)
                self._events.set_aside(record.seq)
                continue
            mid = self._connection.publish(topic(self._station, "events"), payload)
            if mid is None:
                return
            self._events.launched(mid, record.seq)

    def _send_readings(self, history: History) -> None:
        room = self._window // 2 - self._readings.in_flight
        if room <= 0:
            return
        for place, second, wall_ms in history.seconds_page(self._readings.sent, room):
            payload = encode(senml(self._station, second, wall_ms))
            if not self._connection.fits(topic(self._station, "readings"), payload):
                self._put_aside("reading", place, payload)
                self._readings.set_aside(place)
                continue
            mid = self._connection.publish(topic(self._station, "readings"), payload)
            if mid is None:
                return
            self._readings.launched(mid, place)

    def _put_aside(self, what: str, position: object, payload: bytes) -> None:
        self.put_aside += 1
        LOG.error(
            "%s %s is set aside: %d bytes, the broker takes packets of %d; it stays in the journal",
            what,
            position,
            len(payload),
            self._connection.largest_packet,
        )

    def _save_cursors(self, *, now: bool = False) -> None:
        reached = (self._events.cursor, self._readings.cursor)
        if reached == self._saved or (not now and time.monotonic() - self._cursor_saved_s < CURSOR_GAP_S):
            return
        self._cursor_saved_s, self._saved = time.monotonic(), reached
        self._journal.move_cursor(Cursor("link-events", reached[0]))
        self._journal.move_cursor(Cursor("link-readings", reached[1].second, reached[1].boot_id))

    def _take_requests(self) -> None:
        while self._connection.incoming:
            incoming = self._connection.incoming.popleft()
            if incoming.retained and not incoming.payload:
                continue  # somebody clears a stored request; nothing is asked
            deliver = self._repeats.remember(incoming, self._answerer(incoming))
            if deliver is None:
                continue
            if not self._ask(_judged(incoming), deliver):
                deliver(Answer(accepted=False, reasons=["station-busy"], seq=None))

    def _answerer(self, incoming: Incoming) -> Callable[[Answer], None]:
        where, correlation = incoming.response_topic, incoming.correlation
        usable = where is not None and not set(where) & set("+#") and not where.startswith("$")

        def deliver(answer: Answer) -> None:
            if usable and where is not None:
                self._connection.publish(where, encode(answer), correlation=correlation)

        return deliver

    def _farewell(self, history: History) -> None:
        """Send what the journal still holds, then the retained word that this end was meant."""
        deadline = time.monotonic() + FAREWELL_S
        left = True
        while self._connection.connected and left and time.monotonic() < deadline:
            self._turn(history)
            flying = self._events.in_flight + self._readings.in_flight
            left = bool(flying or history.event_page(self._events.sent, 1))
            self._wake.wait(0.02)
            self._wake.clear()
        if self._connection.connected:
            self._head_shown = (self._head_shown[0], float("-inf"))
            self._send_head()
            goodbye = encode(Status(online=False, reason="stopped"))
            mid = self._connection.publish(topic(self._station, "status"), goodbye, retain=True)
            while self._connection.connected and time.monotonic() < deadline:
                self._wake.wait(0.02)
                self._wake.clear()
                if any(ack.mid == mid for ack in list(self._connection.acks)):
                    break
            self._take_acks()
        self._save_cursors(now=True)


def _judged(incoming: Incoming) -> AnyRequest | Unreadable:
    """The request, or why it is refused; a refusal is recorded like any other."""
    text = incoming.payload[:200].decode("utf-8", "replace")
    if incoming.retained:
        return Unreadable(text, "malformed-request", "retained; a request is published without retain")
    if incoming.expired:
        return Unreadable(text, "malformed-request", "came after its expiry")
    return _parsed(incoming.payload)


def _parsed(payload: bytes) -> AnyRequest | Unreadable:
    if len(payload) > LARGEST_REQUEST:
        text = payload[:200].decode("utf-8", "replace")
        return Unreadable(text, "malformed-request", f"longer than {LARGEST_REQUEST} bytes")
    if payload.lstrip()[:1] in (b"{", b"["):
        return parse_json(payload)
    return parse_text(payload.decode("utf-8", "replace"))


def _password(file: str | None) -> str:
    if file is None:
        raise InputError(
            "broker.user is set but broker.password_file is not; name the file with its password."
        )
    try:
        return Path(file).read_text("utf-8").strip()
    except OSError as error:
        raise InputError(f"{file}: the broker's password cannot be read: {error.strerror}.") from error
