"""The ledger over a real file: batches whole or not at all, and a chain that goes on."""

import re
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy.exc import DBAPIError

from shared import events
from shared.chain import ZERO
from shared.history import History
from shared.messages import Second
from shared.problems import FailureError, InputError
from shared.timeline import Moment
from station.journal.ledger import BootClock, Ledger, Told


def told(mono_ms: int, *bodies: events.EventBody, boot: str = "one") -> Told:
    """Events at a moment of a boot."""
    return Told(Moment(boot, mono_ms), bodies)


def second(at: int, valid: int = 10, plate_c: float | None = 20.0) -> Second:
    """A second of record; more valid ticks than ticks is something that the table refuses."""
    return Second(
        boot="one", second=at, plate_mean_c=plate_c, plate_min_c=plate_c, plate_max_c=plate_c,
        cold_junction_c=25.0, extraction_a=None, solvent_out=None, quality="good", valid_ms=100 * valid,
    )  # fmt: skip


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Where the database of a test is."""
    return tmp_path / "bench.db"


@pytest.fixture
def ledger(path: Path) -> Iterator[Ledger]:
    """A ledger over a new file."""
    made = Ledger(path)
    yield made
    made.close()


def seqs(path: Path) -> list[int]:
    """The events in the file."""
    with History(path) as history:
        return [dated.record.seq for dated in history.events()]


def test_ledger_begins_at_nothing_when_the_file_is_new(ledger: Ledger, path: Path) -> None:
    """A new database has no event and the head of zeros."""
    assert (ledger.seq, ledger.head, seqs(path)) == (0, ZERO, [])


def test_ledger_goes_on_where_it_left_off_when_opened_again(ledger: Ledger, path: Path) -> None:
    """The chain goes on over a restart, numbers and hashes alike."""
    first = ledger.write([told(0, events.SolventLifted()), told(1, events.SolventReturned())])
    ledger.close()
    again = Ledger(path)
    later = again.write([told(0, events.SolventLifted(), boot="two")])
    again.close()
    assert [record.seq for record in [*first, *later]] == [1, 2, 3]
    assert [record.prev for record in [*first, *later]] == [ZERO, first[0].hash, first[1].hash]
    with History(path) as history:
        assert history.verify().problem is None


@pytest.mark.parametrize(
    "bad",
    [second(5, valid=11), second(5, plate_c=None)],
    ids=["more than a second", "known time without a number"],
)
def test_head_stays_where_it_was_when_a_batch_cannot_be_written(
    ledger: Ledger, path: Path, bad: Second
) -> None:
    """A row that the table refuses takes its whole batch back: events, units, boots and head."""
    kept = ledger.write([told(0, events.SolventLifted())])
    batch = [
        told(1000, events.UnitBookedIn(unit="A", model="m"), events.UnitPlaced(unit="A"), boot="two"),
        second(4),
        bad,
    ]
    with pytest.raises(DBAPIError):
        ledger.write(batch)
    assert (ledger.seq, ledger.head) == (1, kept[0].hash)
    with History(path) as history:
        assert history.counts() == {"readings": 0, "events": 1, "alarms": 0, "units": 0}
    assert ledger.fresh_boot("two") == "two"


def test_batch_is_written_when_it_comes_again_after_a_failure(ledger: Ledger, path: Path) -> None:
    """After a failure the same events get the numbers they would have had, and the chain is whole."""
    batch = [told(1000, events.UnitBookedIn(unit="A", model="m"), boot="two")]
    with pytest.raises(DBAPIError):
        ledger.write([*batch, second(5, valid=11)])
    assert [record.seq for record in ledger.write(batch)] == [1]
    with History(path) as history:
        assert (history.verify().problem, len(history.units())) == (None, 1)


def test_second_keeps_its_first_part_when_it_comes_twice(ledger: Ledger, path: Path) -> None:
    """A second that a restart within one boot cut in two keeps what was written first."""
    ledger.write([second(5, plate_c=20.0)])
    ledger.write([second(5, plate_c=90.0)])
    connection = sqlite3.connect(path)
    found = connection.execute("SELECT plate_mean_cc FROM readings").fetchall()
    connection.close()
    assert found == [(2000,)]


def test_clock_dates_its_boot_only_when_set(ledger: Ledger, path: Path) -> None:
    """An offset belongs to one boot, and a later one takes its place."""
    ledger.write([told(0, events.SolventLifted()), told(0, events.SolventLifted(), boot="two")])
    ledger.write([BootClock("one", 1000), BootClock("one", 2000)])
    with History(path) as history:
        assert [dated.wall_ms for dated in history.events()] == [2000, None]


def test_fresh_boot_is_numbered_when_the_name_is_taken(ledger: Ledger) -> None:
    """A boot name that the database has already gets the next number behind it."""
    names = []
    for _ in range(3):
        names.append(ledger.fresh_boot("trace-1"))
        ledger.write([told(0, events.SolventLifted(), boot=names[-1])])
    assert names == ["trace-1", "trace-1-2", "trace-1-3"]


def test_events_are_on_disk_when_write_returns(ledger: Ledger, path: Path) -> None:
    """Another connection sees a batch as soon as it is written, the ledger still open."""
    ledger.write([told(0, events.SolventLifted(), events.SolventReturned())])
    assert seqs(path) == [1, 2]


def test_ledger_is_refused_when_the_file_is_of_another_version(path: Path) -> None:
    """A database that a later version made is left alone."""
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA user_version = 99")
    connection.close()
    with pytest.raises(InputError, match=re.escape(f"{path}: schema version is 99")):
        Ledger(path)


def test_ledger_is_refused_when_the_file_is_a_database_of_others(path: Path) -> None:
    """A file with tables that are not ours is no new database: it is left as it is."""
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE invoices (number)")
    connection.commit()
    try:
        with pytest.raises(InputError, match=re.escape(str(path))):
            Ledger(path)
        tables = connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()
    finally:
        connection.close()
    assert tables == [("invoices",)]


def test_ledger_is_refused_when_another_program_writes_it(path: Path) -> None:
    """Two writers would break the chain: the second one is told to wait, and the first goes on."""
    first = Ledger(path)
    with pytest.raises(FailureError, match="another station writes this journal"):
        Ledger(path)
    first.close()
    Ledger(path).close()
