"""The link: follows the journal by a cursor, shows the newest state, and takes requests.

There is no outbox: the journal is the outbox, and the cursor in it says up to where the broker has
acknowledged. One thread of ours does all of it; the station never waits for it.

Order: events go out strictly by seq. Readings do too, until more than `LONG` of them wait: then those that
are recorded from there on go out at once, beside the backlog and on the same topic. The cursor that is kept
is the backlog's, so a restart in the middle sends again some that were sent, and never leaves one out.
"""

import logging
import threading
import time
from collections.abc import Callable
from typing import NamedTuple

from shared.broker_access import BrokerAccess
from shared.events import MessageSetAside
from shared.history import History
from shared.messages import OFFICE, REQUESTS, ROOT, Answer, Head, StationState, Status, encode, topic
from shared.problems import FailureError
from shared.records import READINGS_CURSOR
from shared.requests import AnyRequest, Asked, Unreadable, parse_json, parse_text
from shared.stored import Place
from shared.timeline import Moment
from station.journal.ledger import Cursor, Told
from station.journal.writer import Journal
from station.link import faults, pages
from station.link.aside import SetAside
from station.link.client import LARGEST_REQUEST, LONGEST_RETURN, Connection, Incoming
from station.link.faults import Fate
from station.link.lane import Lane
from station.link.office import weighed
from station.link.pace import Pace
from station.link.repeats import Repeats
from station.link.stillness import Stillness
from station.settings import BrokerSettings

LOG = logging.getLogger("benchward.link")
ANSWERS = f"{ROOT}/answers/"
IDLE_S = 0.2
STATE_GAP_S = 0.1
# How soon a snapshot that came too soon after the last one is looked at again.
STATE_LOOK_S = 0.02
HEAD_GAP_S = 1.0
CURSOR_GAP_S = 1.0
FAREWELL_S, GOODBYE_S = 5.0, 2.0
COUNT_GAP_S = 5.0
MOST_COUNTED = 100_000
AFTER_STUMBLE_S = 1.0
# Seconds of record beyond which the live ones no longer wait for those before them.
LONG = 600
# Without a word from the broker about anything on its way: told as a fault; then the connection is given up.
SILENT_S, DEAD_S = 10.0, 45.0
REQUESTS_A_TURN, ANSWERS_UNDER_WAY = 64, 200
TELL_EVERY_S = 10.0
# Room in the window for status, state, head and answers.
ASIDE_OF_RECORD = 8

Ask = Callable[[Asked, Callable[[Answer], None] | None], bool]


class Backlog(NamedTuple):
    """What waits for the broker: events, and seconds of record, counted up to a limit."""

    events: int
    readings: int


class Link:
    """The station's side of the broker; every method may be called from any thread."""

    def __init__(
        self, broker: BrokerSettings, station: str, journal: Journal, ask: Ask, now: Callable[[], Moment]
    ) -> None:
        """Prepare; nothing is opened before `start`.

        Args:
            broker: where it is, and how many messages may be on their way.
            station: this station's name.
            journal: what to follow.
            ask: hands a request to the next tick, with who waits for its answer; False when it is full.
            now: the moment, for what is recorded of the link itself.

        Raises:
            InputError: the password file or the CA's certificate cannot be read.
        """
        self._station, self._journal, self._ask, self._now = station, journal, ask, now
        self.beat_s = time.monotonic()  # when the thread last turned, with or without a broker
        self._wake = threading.Event()
        self._stop = threading.Event()
        self._state: StationState | None = None
        self._state_shown_s = float("-inf")
        self._cursor_saved_s = float("-inf")
        self._head_shown: tuple[int, float] = (0, float("-inf"))
        self._heard_s = time.monotonic()
        self._connections = 0
        self._fault: str | None = faults.SILENT
        self._refused: set[int] = set()
        self._acknowledged = 0
        self._pace, self._courtesy = Pace(), Pace()
        self._turned_away = self._told_away = 0
        self._told_away_s = float("-inf")
        self._written = True
        self._aside = SetAside(self._record)
        self._backlog: Backlog | None = None
        self._counted_s = float("-inf")
        self._repeats = Repeats()
        self._stillness = Stillness(time.monotonic())
        journal.on_written = self._on_written
        status = topic(station, "status")
        self._connection = Connection(
            f"benchward-{station}",
            broker.host,
            broker.port,
            will=(status, encode(Status(online=False, reason="lost"))),
            birth=(status, encode(Status(online=True, reason="running"))),
            requests=topic(station, REQUESTS),
            office=topic(station, OFFICE),
            in_flight=broker.window,
            wake=self._wake.set,
        )
        access = BrokerAccess(broker.user, broker.password_file, broker.ca_file)
        if access.user is not None:
            self._connection.sign_on(access.user, access.password())
        if access.ca_file is not None:
            self._connection.encrypt(access.context())
        self._events: Lane[int]
        self._readings: Lane[Place]
        self._live: Lane[Place] | None = None
        self._saved: tuple[int, Place] = (0, Place(0, -1))
        self._thread = threading.Thread(target=self._run, name="link", daemon=True)

    @property
    def up(self) -> bool | None:
        """Whether the broker takes what it is given, and this link still works."""
        return self.fault is None

    @property
    def fault(self) -> str | None:
        """Why nothing, or not everything, reaches the broker, as a code; None when it does."""
        if not self._thread.is_alive():
            return faults.FAILING
        return self._fault if self._connection.connected else self._connection.fault

    @property
    def backlog(self) -> Backlog | None:
        """What the broker has not taken yet; None before the link has looked. At most a few seconds old."""
        return self._backlog

    @property
    def acknowledged(self) -> int:
        """Readings and events that the broker has acknowledged in this run."""
        return self._acknowledged

    @property
    def put_aside(self) -> int:
        """Messages of this run that can never be sent."""
        return self._aside.count

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

    def _on_written(self) -> None:
        self._written = True
        self._wake.set()

    def _record(self, body: MessageSetAside) -> None:
        self._journal.tell(Told(self._now(), (body,)))

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                self._follow()
            except Exception:
                LOG.exception("the link stumbled; it begins again")
                self._fault = faults.FAILING
                self.beat_s = time.monotonic()
                self._stop.wait(AFTER_STUMBLE_S)
        self._goodbye()
        self._connection.stop()

    def _follow(self) -> None:
        """Until the end, or until the journal is opened after all: then what it holds is read anew."""
        opened = self._journal.opened
        while not self._journal.followable and not self._stop.is_set():
            self._turn_without_record()
        if not self._journal.followable:
            return
        with History(self._journal.path) as history:
            add = self._aside.add
            self._events = Lane(
                topic(self._station, "events"),
                history.cursor("link-events").second,
                pages.events(history, self._station),
                add,
            )
            self._readings = self._reading_lane(history, history.cursor(READINGS_CURSOR))
            self._live = None
            self._saved = (self._events.stream.cursor, self._readings.stream.cursor)
            self._connections = 0
            while not self._stop.is_set() and self._journal.opened == opened:
                self._rest()
                self._turn(history)
            if self._stop.is_set():
                self._farewell(history)

    def _rest(self) -> None:
        self.beat_s = time.monotonic()
        self._wake.wait(IDLE_S if self._state is None else STATE_LOOK_S)
        self._wake.clear()

    def _turn_without_record(self) -> None:
        """The card takes no writing and holds no record: the state is shown and requests are taken anyway."""
        self._rest()
        self._connection.acks.clear()
        self._connection.tend()
        self._take_requests(None)
        self._fault = None
        if self._connection.connected:
            self._send_state()

    def _reading_lane(self, history: History, start: Place, until: Place | None = None) -> Lane[Place]:
        read = pages.readings(history, self._station)
        return Lane(topic(self._station, "readings"), start, read, self._aside.add, until=until)

    def _lanes(self) -> list[Lane[int] | Lane[Place]]:
        lanes: list[Lane[int] | Lane[Place]] = [self._events]
        return lanes + [lane for lane in (self._live, self._readings) if lane is not None]

    def _turn(self, history: History) -> None:
        self._take_acks()
        if self._connection.tend():
            for lane in self._lanes():
                lane.rewind()  # the new client gives out the same message ids again
        if self._connection.connections != self._connections:
            self._begin_again(history)
        self._take_requests(history)
        if self._connection.connected and self._connection.connections == self._connections:
            self._send_state()
            self._send_head()
            self._send_record()
        self._judge()
        self._aside.settle()
        self._save_cursors()
        self._count_backlog(history)

    def _begin_again(self, history: History) -> None:
        """A new connection: what was on its way is sent again, and the broker may have forgotten all."""
        self._connections = self._connection.connections
        self._head_shown = (0, float("-inf"))
        self._heard_s = time.monotonic()
        cursor, newest = self._readings.stream.cursor, history.newest_second()
        self._live = None
        if newest is not None and history.seconds_beyond(cursor, LONG + 1) > LONG:
            LOG.info("a long backlog: what is recorded from here on goes out beside it")
            self._readings = self._reading_lane(history, cursor, until=newest)
            self._live = self._reading_lane(history, newest)
        else:
            self._readings = self._reading_lane(history, cursor)

    def _take_acks(self) -> None:
        acks, lanes = self._connection.acks, self._lanes()
        if acks:
            self._heard_s = time.monotonic()
        while acks:
            mid, code = acks.popleft()
            fate, reason = faults.of_message(code)
            if fate is Fate.LANDED:
                self._acknowledged += any(lane.landed(mid) for lane in lanes)
            elif fate is Fate.NEVER and any(lane.never(mid, reason or "") for lane in lanes):
                continue
            elif fate is Fate.LATER and any(lane.later(mid, reason or "") for lane in lanes):
                LOG.error("the broker refused message %d (0x%02x: %s); tried again later", mid, code, reason)
            elif code not in self._refused:
                self._refused.add(code)
                LOG.error("the broker refused a state, head or answer (0x%02x: %s)", code, reason)
        if self._live is not None and self._readings.finished:
            LOG.info("the backlog of readings is with the broker")
            self._readings, self._live = self._live, None

    def _judge(self) -> None:
        """Whether the broker takes what it is given; one that says nothing for long is given up."""
        now_s, lanes = time.monotonic(), self._lanes()
        if not self._connection.connected or not any(lane.stream.in_flight for lane in lanes):
            self._heard_s = now_s
        quiet_s = now_s - self._heard_s
        if quiet_s >= DEAD_S:
            self._connection.drop()
        refusals = [lane.refused_with for lane in lanes if lane.refused_with is not None]
        self._fault = faults.SILENT if quiet_s >= SILENT_S else refusals[0] if refusals else None

    def _send_state(self) -> None:
        state, now_s = self._state, time.monotonic()
        if state is None or now_s - self._state_shown_s < STATE_GAP_S:
            return
        self._state, self._state_shown_s = None, now_s
        payload = encode(state)
        if self._connection.fits(topic(self._station, "state"), payload):
            self._connection.publish(topic(self._station, "state"), payload, retain=True)
        elif faults.PACKET_TOO_LARGE not in self._refused:
            self._refused.add(faults.PACKET_TOO_LARGE)
            LOG.error("a state of %d bytes is larger than the broker takes; none is shown", len(payload))

    def _send_head(self) -> None:
        """Tell the head of the chain when it has moved, once a second at most."""
        (seq, digest), (shown, shown_s) = self._journal.head, self._head_shown
        if seq == shown or time.monotonic() - shown_s < HEAD_GAP_S:
            return
        self._head_shown = (seq, time.monotonic())
        head = encode(Head(seq=seq, hash=digest))
        self._connection.publish(topic(self._station, "head"), head, retain=True)

    def _send_record(self) -> None:
        """Events and live readings first; a backlog of readings takes what room is left."""
        if self._written:
            self._written = False
            for lane in self._lanes():
                lane.look_again()
        window = max(2, self._connection.window - ASIDE_OF_RECORD)
        self._events.fill(self._connection, window // 2)
        if self._live is not None:
            self._live.fill(self._connection, max(1, window // 4))
        flying = sum(lane.stream.in_flight for lane in (self._events, self._live) if lane is not None)
        self._readings.fill(self._connection, max(1, window - flying))

    def _save_cursors(self, *, now: bool = False) -> None:
        reached = (self._events.stream.cursor, self._readings.stream.cursor)
        if reached == self._saved:
            return
        if not now and (time.monotonic() - self._cursor_saved_s < CURSOR_GAP_S or not self._aside.settled):
            return
        self._aside.settle(now=True)  # on disk before the cursor that passes it
        self._cursor_saved_s, self._saved = time.monotonic(), reached
        self._journal.move_cursor(Cursor("link-events", reached[0]))
        self._journal.move_cursor(Cursor(READINGS_CURSOR, reached[1].second, reached[1].boot_id))

    def _count_backlog(self, history: History) -> None:
        """How much is left to send, looked at now and then: counting rows costs something."""
        now_s = time.monotonic()
        if now_s - self._counted_s < COUNT_GAP_S:
            return
        self._counted_s = now_s
        readings = history.seconds_beyond(self._readings.stream.cursor, MOST_COUNTED)
        self._backlog = Backlog(max(0, self._journal.head[0] - self._events.stream.cursor), readings)

    def _take_requests(self, history: History | None) -> None:
        """So many at a time: a flood of them must not keep the record from going out, nor fill memory."""
        self._stillness.look(time.monotonic())
        for _ in range(min(len(self._connection.incoming), REQUESTS_A_TURN)):
            incoming = self._connection.incoming.popleft()
            if incoming.retained and not incoming.payload:
                continue  # somebody clears a stored request; nothing is asked
            if not self._pace.take():
                self._turn_away(self._answerer(incoming))
                continue
            deliver = self._repeats.remember(incoming, self._answerer(incoming))
            if deliver is None:
                continue
            older_s = self._stillness.older_s(incoming.came_s)
            request = weighed(
                _judged(incoming, time.monotonic(), older_s),
                office=incoming.office,
                in_chain=lambda head: _has_event(history, head),
            )
            if not self._ask(request, deliver):
                self._turn_away(deliver)
        if self._connection.incoming:
            self._wake.set()
        self._tell_turned_away()

    def _turn_away(self, deliver: Callable[[Answer], None]) -> None:
        """Say so to some: a flood is not worth as many answers."""
        self._turned_away += 1
        if self._courtesy.take():
            deliver(Answer(accepted=False, reasons=["station-busy"], seq=None))

    def _tell_turned_away(self) -> None:
        """Requests that came too fast are not recorded, only told: now and then, in the log."""
        turned_away, now_s = self._turned_away + self._connection.dropped, time.monotonic()
        if turned_away == self._told_away or now_s - self._told_away_s < TELL_EVERY_S:
            return
        LOG.warning("%d requests came too fast and were turned away", turned_away - self._told_away)
        self._told_away, self._told_away_s = turned_away, now_s

    def _answerer(self, incoming: Incoming) -> Callable[[Answer], None]:
        where, correlation = incoming.response_topic, incoming.correlation
        usable = where is not None and may_answer_on(where)

        def deliver(answer: Answer) -> None:
            if usable and where is not None and self._connection.under_way < ANSWERS_UNDER_WAY:
                self._connection.publish(where, encode(answer), correlation=correlation)

        return deliver

    def _farewell(self, history: History) -> None:
        """Send what the journal still holds."""
        deadline = time.monotonic() + FAREWELL_S
        left = True
        while self._connection.connected and left and time.monotonic() < deadline:
            self._written = True
            self._turn(history)
            left = any(lane.stream.in_flight or lane.waiting for lane in self._lanes())
            self._wake.wait(0.02)
            self._wake.clear()
        if self._connection.connected:
            self._head_shown = (self._head_shown[0], float("-inf"))
            self._send_head()
        self._save_cursors(now=True)

    def _goodbye(self) -> None:
        """The retained word that this end was meant, whatever the record is like."""
        if not self._connection.connected:
            return
        deadline = time.monotonic() + GOODBYE_S
        goodbye = encode(Status(online=False, reason="stopped"))
        mid = self._connection.publish(topic(self._station, "status"), goodbye, retain=True)
        while self._connection.connected and time.monotonic() < deadline:
            self._wake.wait(0.02)
            self._wake.clear()
            if any(ack.mid == mid for ack in list(self._connection.acks)):
                break


def _has_event(history: History | None, head: str) -> bool:
    """Whether the record is there to be read, and has it."""
    try:
        return history is not None and history.has_event(head)
    except FailureError as error:
        LOG.error("a head could not be looked up: %s", error)
        return False


def may_answer_on(where: str) -> bool:
    """Whether an answer may go there: no pattern, no topic of the broker's, and none on which stations speak.

    Whoever asks names the topic, and may not write there; the station may, and must not be made to.
    """
    if set(where) & set("+#\0") or where.startswith("$"):
        return False
    return where.startswith(ANSWERS) or not f"{where}/".startswith(f"{ROOT}/")


def _judged(incoming: Incoming, now_s: float, older_s: float = 0.0) -> AnyRequest | Unreadable:
    """The request, or why it is refused; a refusal is recorded like any other.

    ``older_s``: how much longer than this process knows it may have been on its way (`Stillness`).
    """
    text = incoming.payload[:200].decode("utf-8", "replace")
    if incoming.retained:
        return Unreadable(text, "malformed-request", "retained; a request is published without retain")
    if incoming.unreturnable:
        why = f"response topic or correlation data longer than {LONGEST_RETURN} bytes"
        return Unreadable(text, "malformed-request", why)
    if incoming.expired(now_s, older_s):
        return Unreadable(text, "malformed-request", "came after its expiry")
    return _parsed(incoming.payload)


def _parsed(payload: bytes) -> AnyRequest | Unreadable:
    if len(payload) > LARGEST_REQUEST:
        text = payload[:200].decode("utf-8", "replace")
        return Unreadable(text, "malformed-request", f"longer than {LARGEST_REQUEST} bytes")
    if payload.lstrip()[:1] in (b"{", b"["):
        return parse_json(payload)
    return parse_text(payload.decode("utf-8", "replace"))
