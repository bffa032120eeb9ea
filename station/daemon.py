"""The daemon: one tick after another, in one order, whatever the disk and the network do.

Each tick reads the wires, takes the requests that have come, decides, drives the outputs, and only then hands
events to the journal and the new state to the link. Neither can delay the next tick: both take what they are
given into memory and work in threads of their own. How they fare is an input of the next tick.
"""

import logging
import queue
import threading
import time
from collections.abc import Callable
from typing import NamedTuple, Protocol

from msgspec.structs import replace

from shared import VERSION
from shared.events import ClockSet, EventBody, StationStarted, StationStopped, Values
from shared.indication import SAFE, Levels
from shared.log_lines import event_level, event_line
from shared.messages import Answer, KeepingState, StationState
from shared.problems import FailureError
from shared.readings import ExtractionReading, Health, PlateReading, Reading
from shared.requests import Ack, Asked
from shared.timeline import Moment, rfc3339, to_ms
from station.calibration import overdue
from station.clock import Clock
from station.journal.ledger import Told
from station.journal.seconds import SecondMaker
from station.journal.writer import Journal, Reply
from station.rules.decide import Decision, begin, decide
from station.rules.describe import describe
from station.rules.fold import apply
from station.rules.requests import Outcome
from station.rules.state import State
from station.rules.tick import Book
from station.tally import Tally

LOG = logging.getLogger("benchward.daemon")
EVENTS = logging.getLogger("benchward.events")
INBOX_LIMIT = 256
MOST_REQUESTS_A_TICK = 16
CLOCK_STEP_MS = 1000
# So much of a tick late is in time: waking takes a moment, on a busy machine some milliseconds.
NEARLY = 0.25
STATE_EVERY_MS = 1000


class Wiring(Protocol):
    """What the daemon asks of the wires (see `station.drivers.bench.Bench`)."""

    def read(self) -> tuple[PlateReading, ExtractionReading, bool | None]:
        """One tick's wires; never raises for what they do."""

    def presses(self) -> int:
        """Presses of the acknowledge button since last asked."""

    def write(self, levels: Levels) -> None:
        """Drive every output."""


class Follower(Protocol):
    """What the daemon asks of the link."""

    @property
    def up(self) -> bool | None:
        """Whether the broker takes what it is given; None where there is no link in this run."""

    @property
    def fault(self) -> str | None:
        """Why it does not, as a code."""

    @property
    def backlog(self) -> tuple[int, int] | None:
        """Events and seconds of record that the broker has not taken yet; None where that is not known."""

    def show(self, state: StationState) -> None:
        """Take the newest snapshot; never blocks."""


class NoLink:
    """A station without a broker."""

    up: bool | None = None
    fault: str | None = None
    backlog: tuple[int, int] | None = None

    def show(self, state: StationState) -> None:
        """Show it to nobody."""


class Asking(NamedTuple):
    """A request that came in, and who waits for its answer."""

    request: Asked
    deliver: Callable[[Answer], None] | None = None


class Inbox:
    """Requests on their way to the next tick: bounded, and safe from any thread."""

    def __init__(self) -> None:
        self._queue: queue.Queue[Asking] = queue.Queue(INBOX_LIMIT)
        self.arrived = threading.Event()

    def put(self, asking: Asking) -> bool:
        """Hand in a request; False when too many wait already."""
        try:
            self._queue.put_nowait(asking)
        except queue.Full:
            return False
        self.arrived.set()
        return True

    def take(self) -> list[Asking]:
        """The requests for this tick, oldest first."""
        self.arrived.clear()
        taken: list[Asking] = []
        while len(taken) < MOST_REQUESTS_A_TICK:
            try:
                taken.append(self._queue.get_nowait())
            except queue.Empty:
                break
        return taken


class Daemon:
    """One station, ready to tick."""

    def __init__(
        self,
        *,
        station: str,
        book: Book,
        tick_ms: int,
        settings_digest: str,
        trim: Values,
        calibrations_due: tuple[str, ...],
        clock: Clock,
        wiring: Wiring,
        journal: Journal,
        inbox: Inbox,
        link: Follower | None = None,
        after_tick: Callable[[], None] = lambda: None,
        timer: Callable[[], float] = time.perf_counter,
    ) -> None:
        """Take up what the journal knows, and tell it that the station has started.

        Args:
            station: its name.
            book: limits, sheet, and how sure it is of the plate.
            tick_ms: from one tick to the next.
            settings_digest: fingerprint of the settings it runs with.
            trim: gain and offset in force, recorded with the start so that they can be taken back later.
            calibrations_due: until when each calibration holds, RFC 3339.
            clock: time.
            wiring: the wires.
            journal: opened, not started.
            inbox: where requests come in.
            link: to the broker; None without one.
            after_tick: told after each tick of `run`; must neither block nor raise.
            timer: seconds of any beginning, by which ticks are timed.
        """
        self.ticks = 0
        self.late = 0  # by more than NEARLY of a tick
        self.missed = 0
        self.tally = Tally()
        self.shown: StationState | None = None
        self._station, self._book, self._tick_ms = station, book, tick_ms
        self._clock, self._wiring, self._journal, self._inbox = clock, wiring, journal, inbox
        self._link: Follower = link or NoLink()
        self._after_tick, self._timer = after_tick, timer
        self._calibrations_due = calibrations_due
        self._seconds = SecondMaker(to_ms(book.limits.gap_s))
        self._offset_ms: int | None = None
        self._shown_ms: int | None = None
        self._write_failed = False
        self._reading: Reading | None = None
        durable = journal.durable()
        started = StationStarted(
            station=station,
            version=VERSION,
            sheet=book.sheet.label,
            settings=settings_digest,
            set_aside=None if journal.set_aside is None else journal.set_aside.name,
            values=trim,
        )
        now = Moment(clock.boot, clock.mono_ms(), clock.wall_ms())
        self._last_ms = now.mono_ms
        self._state: State
        self._state, told = begin(durable, now, started, book, journal.remembered(book, now))
        journal.tell(Told(now, told))
        for body in told:
            _log(body)

    def run(self, stop: threading.Event) -> None:
        """Tick until told to stop; outputs are safe when this returns, however it returns."""
        due_ms = self._clock.mono_ms()
        try:
            while not stop.is_set():
                while self._clock.wait_until_ms(due_ms, self._inbox.arrived):
                    self.answer()
                self.tick(due_ms)
                self._after_tick()
                due_ms += self._tick_ms
                late_ms = self._clock.mono_ms() - due_ms
                if late_ms >= self._tick_ms:
                    skipped = late_ms // self._tick_ms
                    self.missed += skipped
                    due_ms += skipped * self._tick_ms
        finally:
            self._drive(SAFE)

    def tick(self, due_ms: int | None = None) -> Decision:
        """One tick, that was due at ``due_ms``; now, without it."""
        began_s = self._timer()
        late = due_ms is not None and self._clock.mono_ms() - due_ms > self._tick_ms * NEARLY
        now = self._now(due_ms)
        plate, extraction, solvent_out = self._wiring.read()
        reading = Reading(
            plate=plate, extraction=extraction, solvent_out=solvent_out, health=self._health(now)
        )
        self._reading = reading
        decision = self._decide(now, reading, self._askings(), fresh=True)
        self.ticks += 1
        self.tally.tick(self._timer() - began_s, reading, self._state.watch.plate.quality, late=late)
        return decision

    def answer(self) -> None:
        """Judge requests that came between two ticks at once, by the last tick's wires.

        Whoever asks need not wait for the grid of the ticks; the wires are not read more often for it, and
        what was read is never older than one tick.
        """
        askings = self._inbox.take()
        if askings and self._reading is not None:
            self._decide(self._now(), self._reading, askings, fresh=False)

    def _decide(self, now: Moment, reading: Reading, askings: list[Asking], *, fresh: bool) -> Decision:
        requests = [asking.request for asking in askings]
        self._state, decision = decide(self._book, self._state, reading, requests, now, fresh=fresh)
        self._drive(decision.levels)
        self._record(now, reading, decision, askings)
        self._show(now, reading, decision)
        return decision

    def finish(self, reason: str) -> None:
        """Tell the journal that the station stops, and hand in the second under way."""
        last = self._seconds.finish(self._now())
        if last is not None:
            self._journal.add_second(last)
        stopped = StationStopped(reason=reason)
        self._journal.tell(Told(self._now(), (stopped,)))
        _log(stopped)

    def _now(self, due_ms: int | None = None) -> Moment:
        """Now; a tick that came nearly when it was due counts as having come then.

        Without that a delay of five ticks ends with the sixth whenever the first came a millisecond late.
        """
        mono_ms, wall_ms = self._clock.mono_ms(), self._clock.wall_ms()
        late_ms = 0 if due_ms is None else mono_ms - due_ms
        if abs(late_ms) > self._tick_ms * NEARLY:
            self.late += 1
            late_ms = 0
        late_ms = min(late_ms, mono_ms - self._last_ms)  # a request answered just before is not later than it
        self._last_ms = mono_ms - late_ms
        return Moment(self._clock.boot, self._last_ms, None if wall_ms is None else wall_ms - late_ms)

    def _health(self, now: Moment) -> Health:
        fault, link_fault = self._journal.fault, self._link.fault
        up = self._link.up
        return Health(
            journal_ok=fault is None,
            journal_fault=fault,
            link_ok=up,
            link_fault=None if up else link_fault,
            clock_ok=now.wall_ms is not None,
            calibration_ok=self._calibration_ok(now),
        )

    def _calibration_ok(self, now: Moment) -> bool | None:
        """Whether every calibration still holds; None where there is none, or the time is not known."""
        if not self._calibrations_due or now.wall_ms is None:
            return None
        return not any(overdue(due, now.wall_ms) for due in self._calibrations_due)

    def _askings(self) -> list[Asking]:
        pressed = [Asking(Ack())] if self._wiring.presses() else []
        return pressed + self._inbox.take()

    def _drive(self, levels: Levels) -> None:
        try:
            self._wiring.write(levels)
        except FailureError as error:
            if not self._write_failed:
                LOG.error("an output cannot be driven: %s", error)
            self._write_failed = True
        else:
            self._write_failed = False

    def _record(self, now: Moment, reading: Reading, decision: Decision, askings: list[Asking]) -> None:
        clock_events = self._clock_events(now)
        for body in clock_events:
            self._state = State(apply(self._state.durable, now, body), self._state.watch)
        replies = tuple(
            Reply(_shifted(outcome, len(clock_events)), asking.deliver)
            for outcome, asking in zip(decision.outcomes, askings, strict=True)
            if asking.deliver is not None
        )
        told = clock_events + decision.events
        if told or replies:
            self._journal.tell(Told(now, told), replies)
        for body in told:
            _log(body)
        done = self._seconds.add(now, self._state.watch, reading.extraction.extraction_a)
        if done is not None:
            self._journal.add_second(done)

    def _clock_events(self, now: Moment) -> tuple[EventBody, ...]:
        """Tell when this boot's offset to wall time becomes known, or moves by more than a second."""
        if now.wall_ms is None:
            return ()
        offset_ms = now.wall_ms - now.mono_ms
        if self._offset_ms is not None and abs(offset_ms - self._offset_ms) <= CLOCK_STEP_MS:
            return ()
        self._offset_ms = offset_ms
        return (ClockSet(wall=rfc3339(now.wall_ms) or ""),)

    def _show(self, now: Moment, reading: Reading, decision: Decision) -> None:
        """Hand the link a new snapshot: at once when something happened, else once a second."""
        due = self._shown_ms is None or now.mono_ms - self._shown_ms >= STATE_EVERY_MS
        if not due and not decision.events:
            return
        self._shown_ms = now.mono_ms
        state = describe(
            self._book, self._state, reading, now, decision.indication,
            station=self._station, ticks=self.ticks, ticks_missed=self.missed,
        )  # fmt: skip
        self.shown = replace(state, keeping=self._keeping())
        self._link.show(self.shown)

    def _keeping(self) -> KeepingState:
        events, readings = self._link.backlog or (None, None)
        return KeepingState(
            journal_lag_s=round(self._journal.lag_s, 1),
            journal_fault=self._journal.fault,
            events_waiting=events,
            readings_waiting=readings,
            ticks_late=self.tally.late,
        )


def _log(body: EventBody) -> None:
    """An event as a line of the log; lines go through memory, so this waits for nobody."""
    level = event_level(body)
    if EVENTS.isEnabledFor(level):
        EVENTS.log(level, "%s", event_line(body))


def _shifted(outcome: Outcome, by: int) -> Outcome:
    index = outcome.event_index
    return outcome if index is None else outcome._replace(event_index=index + by)
