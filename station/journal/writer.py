"""The journal's one writer thread: nothing on the bench ever waits for the disk.

Events and answered requests are on disk before anybody is answered; readings wait at most one batch. While
the disk refuses, everything waits in memory (the oldest readings go first when that is full, and are counted)
and `ok` is False, which the rules turn into an alarm.
"""

import logging
import queue
import threading
import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

from sqlalchemy.exc import DBAPIError, OperationalError

from shared.chain import ZERO
from shared.events import EventRecord
from shared.messages import Answer, Second
from shared.problems import BenchwardError, DamagedError, FailureError
from shared.timeline import Moment
from station.journal.backup import set_aside
from station.journal.claim import UnwritableError
from station.journal.kept_state import Kept, take_up
from station.journal.ledger import Cursor, Entry, Ledger, Told
from station.journal.remembered import remembered
from station.rules.decide import NOTHING_KNOWN, Remembered
from station.rules.requests import Outcome
from station.rules.state import Durable
from station.rules.tick import Book

LOG = logging.getLogger("benchward.journal")
QUEUE_LIMIT = 20_000
RETRY_S = 1.0
LATE_S = 1.0
JOIN_S = 15.0
# Longer than the delay of the alarm that tells it.
TELL_SET_ASIDE_S = 10.0


class Reply(NamedTuple):
    """Somebody who waits for an answer, and what came of the request."""

    outcome: Outcome
    deliver: Callable[[Answer], None]


class _Item(NamedTuple):
    entry: Entry | None
    replies: tuple[Reply, ...] = ()
    flushed: threading.Event | None = None


class Journal:
    """A station's journal, written by a thread of its own; every method may be called from any thread."""

    def __init__(self, path: Path, batch_s: float) -> None:
        """Open the database, making it where there is none; a damaged one is set aside and a new one begun.

        Raises:
            InputError: the file is no database of a station, or one of another version.
            FailureError: it cannot be opened for writing.
        """
        self.path = path
        self.on_written: Callable[[], None] | None = None
        self.set_aside: Path | None = None
        self.lost = 0
        self.beat_s = time.monotonic()  # when the thread last turned, whether or not it could write
        self._batch_s = batch_s
        # The age of the oldest entry not on disk yet says more than an error: a write may also never return.
        self._oldest_s: float | None = None
        self._queue: queue.SimpleQueue[_Item] = queue.SimpleQueue()
        self._stop = threading.Event()
        self._started_s = float("-inf")
        self._writing_s: float | None = None  # since when the thread has been at the disk; None: it is not
        self.head = (0, ZERO)  # of the newest event on disk; replaced whole
        self._ledger: Ledger | None = None
        self.readable = True  # False: not even what is on record could be read
        self._durable: Durable | None = None
        self._found = path.exists()
        self._fault = self._open()
        self._thread = threading.Thread(target=self._run, name="journal", daemon=True)

    def _open(self) -> str | None:
        """Open the database, or say why the card takes no writing now: then it is tried again.

        Raises:
            InputError: the file is no database of a station, or one of another version.
            FailureError: somebody else writes it, or it can never be opened.
        """
        try:
            self._ledger = self._opened()
        except UnwritableError as error:
            LOG.error("journal: %s The bench goes on; the record waits in memory.", error)
            self._take_up()
            return error.code
        except DBAPIError as error:
            code = fault_code(error)
            if code not in ("read-only", "disk-full"):
                raise FailureError(f"{self.path}: cannot be opened for writing: {error.orig}.") from error
            LOG.error("journal %s: %s. The bench goes on; the record waits in memory.", self.path, error.orig)
            self._take_up()
            return code
        self.head = (self._ledger.seq, self._ledger.head)
        return None

    def _opened(self) -> Ledger:
        try:
            return self._read_in()
        except DamagedError as error:
            self.set_aside = kept = set_aside(self.path, "damaged")
            LOG.error("journal %s is damaged (%s); kept as %s, a new one begun", self.path, error, kept)
            return self._read_in()

    def _read_in(self) -> Ledger:
        """Open the database and take up the state it holds: what is damaged shows at one or the other."""
        ledger = Ledger(self.path)
        try:
            if self._durable is None:
                taken = take_up(self.path)
                self._durable = taken.durable
                if taken.keep is not None:
                    _keep_state(ledger, taken.keep, self.path)
        except BaseException:
            ledger.close()
            raise
        return ledger

    def _take_up(self) -> None:
        """The state of a file that cannot be written; one that cannot be read either has none to give."""
        if self._durable is not None:
            return
        try:
            self._durable = take_up(self.path).durable if self.path.exists() else Durable()
        except BenchwardError as error:
            LOG.error("journal %s cannot be read either: %s", self.path, error)
            self.readable, self._durable = False, Durable()

    @property
    def opened(self) -> bool:
        """Whether it has been opened for writing; not while the card takes none."""
        return self._ledger is not None

    @property
    def followable(self) -> bool:
        """Whether there is a database to follow: one that was opened, or one that lay there at the start."""
        return self.opened or (self._found and self.readable)

    @property
    def fault(self) -> str | None:
        """Why what is handed in does not reach the disk in time, as a code; None when it does.

        A damaged file that was set aside is told for a while after the start, so that somebody hears of it.
        """
        oldest_s, writing_s, now_s = self._oldest_s, self._writing_s, time.monotonic()
        if self._fault is not None:
            return self._fault
        waits = oldest_s is not None and now_s - oldest_s > self._batch_s + LATE_S
        hangs = writing_s is not None and now_s - writing_s > LATE_S
        if not self._thread.is_alive() or waits or hangs:
            return "writing-late"
        if self.set_aside is not None and now_s - self._started_s < TELL_SET_ASIDE_S:
            return "file-set-aside"
        return None

    @property
    def lag_s(self) -> float:
        """Age of the oldest entry that is not on disk, in seconds; 0 when everything is."""
        oldest_s = self._oldest_s
        return 0.0 if oldest_s is None else max(0.0, time.monotonic() - oldest_s)

    @property
    def ok(self) -> bool:
        """Whether what is handed in reaches the disk in time."""
        return self.fault is None

    def durable(self) -> Durable:
        """The state that earlier runs left: the fold of their events. Replays had benches of their own."""
        return self._durable or Durable()

    def remembered(self, book: Book, now: Moment) -> Remembered:
        """What the rules take up from the record at a start; nothing where there is none to be read."""
        return remembered(self.path, self.durable(), book, now) if self.followable else NOTHING_KNOWN

    def start(self) -> None:
        """Begin to write."""
        self._started_s = self.beat_s = time.monotonic()
        self._thread.start()

    def tell(self, told: Told, replies: tuple[Reply, ...] = ()) -> None:
        """Hand in a tick's events and those who wait for them; never blocks."""
        self._put(_Item(told if told.events else None, replies))

    def add_second(self, second: Second) -> None:
        """Hand in a second of record; never blocks."""
        self._put(_Item(second))

    def move_cursor(self, cursor: Cursor) -> None:
        """Hand in how far a follower has got; never blocks."""
        self._put(_Item(cursor))

    def flush(self, timeout_s: float) -> bool:
        """Wait until what was handed in before is on disk; False if that took too long."""
        flushed = threading.Event()
        self._put(_Item(None, flushed=flushed))
        return flushed.wait(timeout_s)

    def stop(self) -> bool:
        """Write what waits and end the thread; False if not all could be written, or not in time."""
        self._stop.set()
        self._put(_Item(None))
        if self._thread.is_alive():
            self._thread.join(JOIN_S)
        ended = not self._thread.is_alive()
        if ended:
            self.lost += self._left()
        if ended and self._ledger is not None:
            self._ledger.close()
        if self.lost:
            LOG.error("%d entries were lost", self.lost)
        return ended and not self.lost

    def _left(self) -> int:
        """Entries that nobody took any more: the thread had ended before.

        A follower's cursor that came too late is nothing lost: what it stands for is sent once more.
        """
        left = 0
        with suppress(queue.Empty):
            while True:
                left += not isinstance(self._queue.get_nowait().entry, Cursor | None)
        return left

    def _put(self, item: _Item) -> None:
        """Never blocks. Where memory is full a reading is left out; events are few, and are always taken."""
        if isinstance(item.entry, Second) and self._queue.qsize() >= QUEUE_LIMIT:
            self.lost += 1
        else:
            self._queue.put(item)

    def _run(self) -> None:
        pending: deque[_Item] = deque()
        due = time.monotonic() + self._batch_s
        while True:
            self.beat_s = time.monotonic()
            urgent = self._collect(pending, due)
            stopping = self._stop.is_set() and self._queue.empty()
            if not urgent and not stopping and time.monotonic() < due:
                continue
            self._writing_s = time.monotonic()
            written = self._write(pending)
            self._writing_s = None
            if written:
                pending.clear()
                self._oldest_s = None
            elif stopping:
                self.lost += len(pending)
                LOG.error("%d entries could not be written before the end", len(pending))
                return
            else:
                self.lost += _shorten(pending)
                self._stop.wait(RETRY_S)
            due = time.monotonic() + self._batch_s
            if stopping and not pending:
                return
            self._keep_heat()

    def _keep_heat(self) -> None:
        """One unit at a time, and only while nothing waits; until then whoever asks adds it up."""
        if self._ledger is None or self._fault is not None or not self._queue.empty():
            return
        try:
            self._ledger.keep_heat()
        except Exception:
            LOG.exception("journal %s: the heat history of a closed unit was not kept", self.path)

    def _collect(self, pending: deque[_Item], due: float) -> bool:
        """Wait for items until the batch is due; True as soon as one must not wait."""
        try:
            item = self._queue.get(timeout=max(0.0, due - time.monotonic()))
        except queue.Empty:
            return True
        urgent = False
        while True:
            if self._oldest_s is None:
                self._oldest_s = time.monotonic()
            pending.append(item)
            urgent = urgent or bool(item.replies) or item.flushed is not None or isinstance(item.entry, Told)
            try:
                item = self._queue.get_nowait()
            except queue.Empty:
                return urgent

    def _write(self, pending: deque[_Item]) -> bool:
        entries = [item.entry for item in pending if item.entry is not None]
        ledger = self._ledger or self._opened_at_last()
        if ledger is None:
            return False
        try:
            records = ledger.write(entries) if entries else []
        except Exception as error:  # noqa: BLE001 - no entry may end this thread; each is logged with its cause
            fault = fault_code(error)
            if fault is None:
                return self._write_singly(pending, error)
            if self._fault != fault:
                LOG.error("journal %s cannot be written: %s (%s)", self.path, error, fault)
            self._fault = fault
            return False
        if self._fault is not None:
            LOG.warning("journal %s can be written again", self.path)
        self._fault = None
        self.head = (ledger.seq, ledger.head)
        self._answer(pending, records)
        if entries and self.on_written is not None:
            self.on_written()
        return True

    def _opened_at_last(self) -> Ledger | None:
        try:
            self._fault = self._open()
        except (BenchwardError, DBAPIError, OSError) as error:
            LOG.error("journal %s cannot be opened: %s", self.path, error)
            self._fault = "disk-error"
        except Exception:
            LOG.exception("journal %s cannot be opened", self.path)
            self._fault = "disk-error"
        return self._ledger

    def _write_singly(self, pending: deque[_Item], error: Exception) -> bool:
        """Something in a batch cannot be written whatever the disk does: leave out that, and only that."""
        if len(pending) == 1:
            LOG.error("an entry cannot be written and is left out: %r", pending[0].entry, exc_info=error)
            self.lost += 1
            for reply in pending[0].replies:
                self._deliver(reply, Answer(accepted=False, reasons=["not-recorded"], seq=None))
            self._answer(deque([pending[0]._replace(entry=None, replies=())]), [])
            return True
        while pending:
            if not self._write(deque([pending[0]])):
                return False
            pending.popleft()
        return True

    def _answer(self, pending: deque[_Item], records: list[EventRecord]) -> None:
        """Answer those who waited; a tick's events stand in the records in the order handed in."""
        first = 0
        for item in pending:
            told = len(item.entry.events) if isinstance(item.entry, Told) else 0
            if item.flushed is not None:
                item.flushed.set()
            for reply in item.replies:
                index = reply.outcome.event_index
                seq = records[first + index].seq if index is not None and index < told else None
                reasons = list(reply.outcome.reasons)
                self._deliver(reply, Answer(accepted=reply.outcome.accepted, reasons=reasons, seq=seq))
            first += told

    def _deliver(self, reply: Reply, answer: Answer) -> None:
        try:
            reply.deliver(answer)
        except Exception:
            LOG.exception("an answer could not be delivered")


def _keep_state(ledger: Ledger, kept: Kept, path: Path) -> None:
    """No start fails by it."""
    try:
        ledger.keep_state(kept)
    except DBAPIError as error:
        LOG.warning("journal %s: the state was not kept for the next start: %s", path, error.orig)


# What SQLite says when the fault is the disk's or the file's and not the entry's: later it may work.
_FAULTS = (
    ("full", "disk-full"),
    ("readonly", "read-only"),
    ("locked", "database-locked"),
    ("malformed", "file-damaged"),
    ("not a database", "file-damaged"),
)


def fault_code(error: Exception) -> str | None:
    """The code for a write that may work later; None where the entry itself cannot be written."""
    if not isinstance(error, DBAPIError):
        return None
    said = str(error.orig)
    for words, code in _FAULTS:
        if words in said:
            return code
    return "disk-error" if isinstance(error, OperationalError) else None


def _shorten(pending: deque[_Item]) -> int:
    """Keep memory bounded while the disk refuses: the oldest readings go, never an event; how many went."""
    excess = len(pending) - QUEUE_LIMIT
    going = [item for item in pending if isinstance(item.entry, Second)][: max(0, excess)]
    for item in going:
        pending.remove(item)
    return len(going)
