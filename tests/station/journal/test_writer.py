"""The journal's thread over a real file: on disk before the answer, in order, drained at the end.

Nothing here sleeps: each test waits for what the journal itself says, with a limit.
"""

import queue
import sqlite3
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import msgspec
import pytest

from shared import events
from shared.database import BUSY_MS
from shared.history import History
from shared.messages import Answer, Second
from shared.problems import FailureError
from shared.stored import Place
from shared.timeline import Moment
from station.journal.ledger import Cursor, Ledger, Told
from station.journal.writer import LATE_S, QUEUE_LIMIT, Journal, Reply
from station.rules.requests import Outcome

LIMIT_S = 10.0
LONG_BATCH_S = 60.0  # longer than any test: what is written before was urgent, or drained


def told(mono_ms: int, *bodies: events.EventBody) -> Told:
    """Events at a moment."""
    return Told(Moment("b", mono_ms), bodies)


def second(at: int) -> Second:
    """A second of record."""
    return Second(
        boot="b", second=at, plate_mean_c=20.0, plate_min_c=20.0, plate_max_c=20.0, cold_junction_c=25.0,
        extraction_a=0.4, solvent_out=False, quality="good", valid_ms=1000,
    )  # fmt: skip


ACCEPTED = Outcome(accepted=True, reasons=(), event_index=0)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Where the database of a test is."""
    return tmp_path / "bench.db"


@pytest.fixture
def journal(path: Path) -> Iterator[Journal]:
    """A journal that runs, and is stopped at the end."""
    made = Journal(path, LONG_BATCH_S)
    made.start()
    yield made
    assert made.stop()


def kinds(path: Path) -> list[str]:
    """The kinds of the events in the file, in order."""
    with History(path) as history:
        return [dated.to_dict()["kind"] for dated in history.events()]


def test_events_are_on_disk_when_their_answer_comes(journal: Journal, path: Path) -> None:
    """Whoever is answered finds the event in the file, read over a connection of its own."""
    answered: queue.Queue[tuple[Answer, list[str]]] = queue.Queue()
    reply = Reply(ACCEPTED, lambda answer: answered.put((answer, kinds(path))))
    journal.tell(told(0, events.SignedIn(technician="T-1")), (reply,))
    answer, seen = answered.get(timeout=LIMIT_S)
    assert answer == Answer(accepted=True, reasons=[], seq=1)
    assert seen == ["signed-in"]


def test_answers_carry_their_own_seq_when_ticks_hold_several_events(journal: Journal) -> None:
    """Each answer names its own request's event, wherever that stands in its tick and its batch."""
    answered: queue.Queue[tuple[str, int | None]] = queue.Queue()

    def reply(name: str, index: int | None, accepted: bool = True) -> Reply:
        outcome = Outcome(accepted, () if accepted else ("no-unit",), index)
        return Reply(outcome, lambda answer: answered.put((name, answer.seq)))

    three = (events.SolventLifted(), events.SolventReturned(), events.SignedOut())
    journal.tell(told(0, *three), (reply("third", 2), reply("first", 0)))
    journal.tell(told(100))
    journal.tell(told(200, *three), (reply("fifth", 1),))
    journal.tell(told(300), (reply("none", None, accepted=False),))
    journal.tell(told(400, *three), (reply("seventh", 0), reply("silent", None)))
    found = [answered.get(timeout=LIMIT_S) for _ in range(6)]
    assert found == [
        ("third", 3), ("first", 1), ("fifth", 5), ("none", None), ("seventh", 7), ("silent", None),
    ]  # fmt: skip


def test_refusal_is_answered_with_its_reasons_when_delivered(journal: Journal) -> None:
    """A refused request learns every reason, and the seq of the event that says so."""
    answered: queue.Queue[Answer] = queue.Queue()
    refused = Outcome(accepted=False, reasons=("no-unit", "step-running"), event_index=0)
    body = events.RequestRefused(request="place", reasons=["no-unit", "step-running"])
    journal.tell(told(0, body), (Reply(refused, answered.put),))
    assert answered.get(timeout=LIMIT_S) == Answer(accepted=False, reasons=["no-unit", "step-running"], seq=1)


def test_order_is_kept_when_many_ticks_are_told(journal: Journal, path: Path) -> None:
    """Events stand in the file in the order in which they were told."""
    for index in range(200):
        journal.tell(told(index, events.UnitTaken(unit=f"U{index}")))
    assert journal.flush(LIMIT_S)
    with History(path) as history:
        units = [dated.to_dict()["unit"] for dated in history.events()]
        assert history.verify().problem is None
    assert units == [f"U{index}" for index in range(200)]


def test_flush_waits_for_seconds_when_they_were_handed_in_before(journal: Journal, path: Path) -> None:
    """After a flush the seconds handed in before it are in the file, long before the batch is due."""
    for at in range(5):
        journal.add_second(second(at))
    assert journal.flush(LIMIT_S)
    with History(path) as history:
        assert history.counts()["readings"] == 5


def test_flush_gives_up_when_nobody_writes(path: Path) -> None:
    """A journal that was not started cannot flush, and says so."""
    idle = Journal(path, LONG_BATCH_S)
    assert not idle.flush(0.01)
    assert not idle.ok
    assert idle.stop()


def test_stop_writes_what_waits_when_the_batch_is_not_due(path: Path) -> None:
    """An orderly end loses nothing: events, seconds, clock and cursor are all in the file."""
    journal = Journal(path, LONG_BATCH_S)
    journal.start()
    for at in range(30):
        journal.add_second(second(at))
    journal.move_cursor(Cursor("link-events", 1))
    journal.tell(told(0, events.ClockSet(wall="1970-01-01T00:00:05.000Z")))
    journal.tell(told(0, events.StationStopped(reason="asked")))
    assert journal.stop()
    with History(path) as history:
        assert history.counts() == {"readings": 30, "events": 2, "alarms": 0, "units": 0}
        assert [dated.wall_ms for dated in history.events()] == [5000, 5000]
        assert history.cursor("link-events") == Place(0, 1)
    assert (journal.ok, journal.lost) == (False, 0)


def test_journal_is_ok_when_it_runs(journal: Journal) -> None:
    """A running journal that could write is ok, with nothing lost."""
    journal.tell(told(0, events.SolventLifted()))
    assert journal.flush(LIMIT_S)
    assert (journal.ok, journal.lost) == (True, 0)


def test_followers_are_told_when_something_was_written(journal: Journal) -> None:
    """Whoever follows the journal is woken by each batch."""
    woken: queue.Queue[bool] = queue.Queue()
    journal.on_written = lambda: woken.put(True)
    journal.tell(told(0, events.SolventLifted()))
    assert woken.get(timeout=LIMIT_S)


def test_journal_goes_on_when_an_answer_cannot_be_delivered(
    journal: Journal, caplog: pytest.LogCaptureFixture
) -> None:
    """Somebody who cannot be answered stops nobody else's answer."""
    answered: queue.Queue[Answer] = queue.Queue()

    def gone(answer: Answer) -> None:
        raise OSError(f"The line is cut before {answer}.")

    journal.tell(told(0, events.SolventLifted()), (Reply(ACCEPTED, gone), Reply(ACCEPTED, answered.put)))
    assert answered.get(timeout=LIMIT_S).seq == 1
    assert journal.flush(LIMIT_S)
    assert (journal.ok, "could not be delivered" in caplog.text) == (True, True)


def test_durable_state_is_the_fold_of_earlier_runs_when_opened_again(path: Path) -> None:
    """What survives a restart is what the events say."""
    journal = Journal(path, LONG_BATCH_S)
    journal.start()
    journal.tell(told(0, events.UnitBookedIn(unit="A", model="m"), events.UnitTaken(unit="A")))
    journal.tell(told(1, events.SignedIn(technician="T-1"), events.UnitPlaced(unit="A")))
    assert journal.stop()
    again = Journal(path, LONG_BATCH_S)
    durable = again.durable()
    assert again.stop()
    assert (durable.technician, durable.in_hand, durable.on_plate) == ("T-1", "A", "A")


def test_journal_is_refused_when_the_file_cannot_be_opened(tmp_path: Path) -> None:
    """A folder that is not there is a failure that names the file."""
    path = tmp_path / "none" / "bench.db"
    with pytest.raises(FailureError, match=r"bench\.db: cannot be opened for writing"):
        Journal(path, LONG_BATCH_S)


def test_journal_says_so_and_recovers_when_another_holds_the_file_for_a_while(
    journal: Journal, path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """While the file is held, nobody is answered and `ok` is false; afterwards all is written, in order."""
    answered: queue.Queue[Answer] = queue.Queue()
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    journal.tell(told(0, events.SolventLifted()), (Reply(ACCEPTED, answered.put),))
    assert not journal.flush(2 * BUSY_MS / 1000)
    assert (journal.ok, answered.empty()) == (False, True)
    other.execute("ROLLBACK")
    other.close()
    journal.tell(told(100, events.SolventReturned()))
    assert answered.get(timeout=LIMIT_S).seq == 1
    assert journal.flush(LIMIT_S)
    assert (journal.ok, kinds(path)) == (True, ["solvent-lifted", "solvent-returned"])
    assert "cannot be written" in caplog.text


class StuckJournal(Journal):
    """A disk that has what was handed in and does not come back until it is let go."""

    def __init__(self, path: Path) -> None:
        self.free = threading.Event()
        super().__init__(path, LONG_BATCH_S)

    def _write(self, pending) -> bool:  # type: ignore[no-untyped-def]
        self.free.wait(LIMIT_S)
        return super()._write(pending)


def test_a_write_that_hangs_is_told_after_a_second_whatever_the_batch(path: Path) -> None:
    """Long before a batch of a minute is due, and gone when the disk comes back; nothing is lost."""
    journal = StuckJournal(path)
    journal.start()
    began_s = time.monotonic()
    journal.tell(told(0, events.SolventLifted()))
    while journal.fault is None and time.monotonic() - began_s < LIMIT_S:
        time.sleep(0.01)
    assert journal.fault == "writing-late"
    assert LATE_S <= time.monotonic() - began_s < LIMIT_S
    journal.free.set()
    assert journal.flush(LIMIT_S)
    assert journal.fault is None
    assert journal.stop()
    assert kinds(path) == ["solvent-lifted"]


def test_journal_leaves_out_only_what_can_never_be_written(path: Path) -> None:
    """A row that breaks a rule of its table does not stop what comes after it, and is counted."""
    journal = Journal(path, LONG_BATCH_S)
    journal.start()
    answered: queue.Queue[Answer] = queue.Queue()
    journal.add_second(msgspec.structs.replace(second(5), valid_ms=1001))
    journal.tell(told(0, events.SolventLifted()), (Reply(ACCEPTED, answered.put),))
    assert answered.get(timeout=LIMIT_S).seq == 1
    assert journal.flush(LIMIT_S)
    assert (journal.ok, journal.lost, kinds(path)) == (True, 1, ["solvent-lifted"])
    assert not journal.stop()


def test_what_a_dead_thread_left_behind_is_told_as_lost(path):
    """Nobody wrote it: the end is no good end, and says how much was lost."""
    journal = Journal(path, LONG_BATCH_S)  # not started: as if its thread had ended
    journal.tell(told(0, events.SignedOut(technician="T-4")))
    journal.move_cursor(Cursor("link-events", 1))
    assert not journal.stop()
    assert journal.lost == 1  # a cursor is no loss


def test_a_cursor_that_comes_after_the_end_is_nothing_lost(path):
    """The link's last word came late: what it had sent is sent once more, and the station ended well."""
    journal = Journal(path, LONG_BATCH_S)
    journal.move_cursor(Cursor("link-readings", 7, 1))
    assert journal.stop()
    assert journal.lost == 0


def test_full_memory_leaves_out_readings_and_never_an_event(path):
    """While the disk takes nothing, readings beyond the bound go, counted; whatever was told is written."""
    journal = Journal(path, LONG_BATCH_S)  # not started yet: as if its disk did not answer
    more = 7
    for at in range(QUEUE_LIMIT + more):
        journal.add_second(second(at))
    assert journal.lost == more
    for number in range(50):
        journal.tell(told(number, events.SignedOut(technician=f"T-{number}")))
    assert journal.lost == more
    journal.start()
    assert journal.flush(60.0)
    assert not journal.stop()
    with History(path) as history:
        assert history.counts() == {"readings": QUEUE_LIMIT, "events": 50, "alarms": 0, "units": 0}
        assert [record.body.technician for record, _ in history.events()] == [f"T-{n}" for n in range(50)]
        assert history.newest_second() == Place(1, QUEUE_LIMIT - 1)


def test_state_of_a_station_leaves_replays_in_its_file_out(path: Path) -> None:
    """A replay had a bench of its own: its technician and its unit are not the station's."""
    replayed = (
        events.StationStarted(station="replay", version="v", sheet="s"),
        events.SignedIn(technician="T-9"),
        events.UnitBookedIn(unit="DP-9", model="m"),
        events.UnitPlaced(unit="DP-9"),
    )
    ledger = Ledger(path)
    ledger.write([Told(Moment("trace-00ff", 0), replayed)])
    ledger.write([Told(Moment("7d1c", 0), (events.UnitBookedIn(unit="DP-1", model="m"),))])
    ledger.close()
    journal = Journal(path, LONG_BATCH_S)
    state = journal.durable()
    assert journal.stop()
    assert list(state.units) == ["DP-1"]
    assert (state.technician, state.on_plate) == (None, None)
