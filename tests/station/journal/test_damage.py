"""A journal that is damaged, full, read-only or held: told, set aside or waited for, never a crash."""

import os
import shutil
import sqlite3
import subprocess
import time
from contextlib import closing
from pathlib import Path

import pytest
from msgspec.structs import replace

from shared import events
from shared.history import History
from shared.messages import Second
from shared.problems import DamagedError, FailureError, InputError
from shared.sheet import default_sheet
from shared.timeline import Moment
from station.journal.ledger import Ledger, Told
from station.journal.soundness import LARGEST_WHOLE, NEWEST
from station.journal.writer import Journal
from station.rules.limits import Limits
from station.rules.tick import Book
from station.rules.vapour import lel_share

LIMIT_S = 15.0
WAL_LIMIT = 4 * 1024 * 1024  # what the log is cut back to (journal_size_limit)


def told(number: int, text: str = "T") -> Told:
    """An event."""
    return Told(Moment("b", number), (events.SignedIn(technician=f"{text}-{number}"),))


def second(at: int) -> Second:
    """A second of record."""
    return Second(
        boot="b", second=at, plate_mean_c=20.0, plate_min_c=20.0, plate_max_c=20.0, cold_junction_c=25.0,
        extraction_a=0.4, solvent_out=False, quality="good", valid_ms=1000,
    )  # fmt: skip


def written(path: Path, count: int = 400) -> Path:
    """A station's database."""
    ledger = Ledger(path)
    ledger.write([told(number) for number in range(count)])
    ledger.close()
    return path


def wait_for(true, what: str):
    """Look until it is so."""
    end_s = time.monotonic() + LIMIT_S
    while time.monotonic() < end_s:
        if true():
            return
        time.sleep(0.01)
    raise AssertionError(what)


def garble_header(path: Path) -> None:
    """The first page is overwritten."""
    with path.open("rb+") as file:
        file.write(b"\xff" * 4096)


def garble_middle(path: Path) -> None:
    """A page inside is overwritten."""
    with path.open("rb+") as file:
        file.seek(5 * 4096)
        file.write(b"\x5a" * 4096)


def cut_short(path: Path) -> None:
    """The file ends in the middle."""
    os.truncate(path, path.stat().st_size // 2)


@pytest.mark.parametrize("damage", [garble_header, garble_middle, cut_short])
def test_damaged_journal_is_set_aside_and_a_new_one_begun(tmp_path, damage):
    """The damaged bytes are kept under a name that is told; the new record works."""
    path = written(tmp_path / "bench.db")
    damage(path)
    bytes_before = path.read_bytes()
    journal = Journal(path, 1.0)
    assert journal.set_aside is not None
    assert journal.set_aside.name.startswith("bench.db.damaged-2")
    assert journal.set_aside.read_bytes() == bytes_before
    journal.start()
    assert journal.fault == "file-set-aside"  # told for a while, so that the alarm is raised
    journal.tell(told(0))
    assert journal.flush(LIMIT_S)
    assert journal.stop()
    with History(path) as history:
        assert history.verify().count == 1


def grown(path: Path) -> Path:
    """The file made larger than what is checked whole at a start; a sound one, with free pages."""
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE filler (held BLOB)")
        connection.execute("INSERT INTO filler VALUES (zeroblob(?))", (LARGEST_WHOLE + 4096,))
        connection.commit()
        connection.execute("DROP TABLE filler")
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    assert path.stat().st_size > LARGEST_WHOLE
    return path


def garble_root(path: Path, name: str) -> None:
    """The page on which a table or an index begins is overwritten."""
    with closing(sqlite3.connect(path)) as connection:
        root, page = connection.execute(
            "SELECT rootpage, (SELECT page_size FROM pragma_page_size) FROM sqlite_master WHERE name = ?",
            (name,),
        ).fetchone()
    with path.open("rb+") as file:
        file.seek((root - 1) * page)
        file.write(b"\xff" * page)


@pytest.mark.parametrize(
    "name", ["events", "ix_events_kind", "boots", "readings", "minutes", "placements", "cursors"]
)
def test_damage_in_a_large_journal_is_set_aside_as_well(tmp_path, name):
    """A year of record does not fit the whole check; damage where the start reads or writes is found."""
    path = tmp_path / "bench.db"
    ledger = Ledger(path)
    ledger.write([told(number) for number in range(400)] + [second(at) for at in range(400)])
    ledger.close()
    garble_root(grown(path), name)
    journal = Journal(path, 1.0)
    assert journal.set_aside is not None
    assert journal.set_aside.stat().st_size > LARGEST_WHOLE
    assert journal.durable().technician is None
    journal.start()
    assert journal.fault == "file-set-aside"
    journal.tell(told(0))
    assert journal.flush(LIMIT_S)
    assert journal.stop()


def test_sound_large_journal_is_taken_up(tmp_path):
    """The larger file is not set aside for being large."""
    path = grown(written(tmp_path / "bench.db"))
    journal = Journal(path, 1.0)
    assert journal.set_aside is None
    assert journal.durable().technician == "T-399"
    assert journal.stop()


def test_readings_of_a_unit_at_work_are_looked_at_in_a_large_journal(tmp_path):
    """What a start sums up for its heat budget lies far before the newest readings."""
    path = tmp_path / "bench.db"
    ledger = Ledger(path)
    sign_in = Moment("b", 0)
    ledger.write([
        Told(sign_in, (events.UnitBookedIn(unit="U-1", model="oled", job=None, technician="T-1"),)),
        Told(sign_in, (events.UnitPlaced(unit="U-1", technician="T-1"),)),
        Told(Moment("b", 60_000), (events.UnitRemoved(unit="U-1", technician="T-1"),)),
    ])  # fmt: skip
    ledger.close()
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.executemany(
            "INSERT INTO readings VALUES (1, ?, 2000, 1990, 2010, 2500, 400, 0, 0, 1000)",
            ((at,) for at in range(3 * NEWEST)),
        )
    grown(path)
    first_leaf = _first_page_of(path, "readings")
    with path.open("rb+") as file:
        file.seek((first_leaf - 1) * 4096)
        file.write(b"\xff" * 4096)
    journal = Journal(path, 1.0)
    assert journal.set_aside is not None
    journal.stop()


def _first_page_of(path: Path, table: str) -> int:
    """The leaf with a table's first rows: down the left side of its tree (file format, section 1.6)."""
    with closing(sqlite3.connect(path)) as connection:
        page = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = ?", (table,)).fetchone()[0]
    data = path.read_bytes()
    while data[(page - 1) * 4096] in (2, 5):  # an interior page of an index or a table
        start = (page - 1) * 4096
        cell = int.from_bytes(data[start + 12 : start + 14], "big")
        page = int.from_bytes(data[start + cell : start + cell + 4], "big")
    return page


def test_event_that_cannot_be_read_is_damage_too(tmp_path):
    """The pages hold together, the first event on one does not: the start would end on it for ever."""
    path = written(tmp_path / "bench.db")
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE events SET body = '{\"kind\":' WHERE seq = 7")
    journal = Journal(path, 1.0)
    assert journal.set_aside is not None
    assert journal.durable().technician is None
    assert journal.stop()


def test_older_schema_that_is_damaged_is_set_aside_as_well(tmp_path):
    """A start migrates an older file first; damage that shows then is damage like any other."""
    path = written(tmp_path / "bench.db")
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA user_version = 1")
    garble_root(grown(path), "ix_steps_unit")
    journal = Journal(path, 1.0)
    assert journal.set_aside is not None
    assert journal.stop()


def test_file_of_another_program_is_left_alone(tmp_path):
    """What no station has written is refused, not moved."""
    path = tmp_path / "notes.db"
    path.write_text("shopping list")
    with pytest.raises(InputError, match="is no database"):
        Journal(path, 1.0)
    assert path.read_text() == "shopping list"


def test_damage_is_told_to_those_who_only_want_the_ledger(tmp_path):
    """A replay does not move a station's file."""
    path = written(tmp_path / "bench.db")
    garble_middle(path)
    with pytest.raises(DamagedError):
        Ledger(path)
    assert path.exists()


def test_damage_while_running_is_told_and_nothing_is_thrown_away(tmp_path):
    """Pages that rot under a running station: it goes on trying, and says file-damaged."""
    path = written(tmp_path / "bench.db", 3000)
    journal = Journal(path, 0.5)
    journal.start()
    journal.tell(told(10_000))
    assert journal.flush(LIMIT_S)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    size = path.stat().st_size
    with path.open("rb+") as file:
        file.seek(4096)
        file.write(b"\x5a" * (size - 4096))
    journal.tell(told(10_001))
    wait_for(lambda: journal.fault == "file-damaged", "the damage was not told")
    assert journal.lost == 0
    assert not journal.stop()


@pytest.fixture
def small_disk(tmp_path):
    """A file system of its own, of eight megabytes."""
    folder = tmp_path / "card"
    folder.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=8m", "tmpfs", str(folder)], check=False, capture_output=True
    )
    if made.returncode:
        pytest.skip(f"no file system can be mounted here: {made.stderr.decode().strip()}")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def test_full_card_is_told_and_what_waited_is_written_in_order_when_there_is_room(small_disk):
    """Nothing is lost and nothing twice; events and seconds of the time between are all there."""
    filler, path = small_disk / "filler", small_disk / "bench.db"
    journal = Journal(path, 0.5)
    journal.start()
    journal.tell(told(0))
    assert journal.flush(LIMIT_S)
    with filler.open("wb", buffering=0) as file:
        while True:
            try:
                file.write(b"\0" * 4096)
            except OSError:
                break
    number = 0

    def full() -> bool:
        nonlocal number
        number += 1
        journal.tell(told(number, "x" * 30))
        journal.add_second(second(number))
        return journal.fault == "disk-full"

    wait_for(full, "the full card was not told")
    for extra in range(number + 1, number + 200):
        journal.tell(told(extra))
    filler.unlink()
    assert journal.flush(LIMIT_S)
    assert (journal.fault, journal.lost) == (None, 0)
    assert journal.stop()
    with History(path) as history:
        assert history.verify().count == number + 200
        told_ms = [record.mono_ms for record, _ in history.events()]
        assert history.counts()["readings"] == number
    assert told_ms == list(range(number + 200))


def test_read_only_card_at_the_start_is_told_and_written_when_it_can_be(small_disk):
    """A worn-out card mounts for reading only: the bench goes on, knows its state, and waits to write."""
    path = written(small_disk / "bench.db", 5)
    remount = ["mount", "-o", "remount", str(small_disk)]
    subprocess.run([*remount[:2], "remount,ro", remount[3]], check=True)
    journal = Journal(path, 0.5)
    assert journal.fault == "read-only"
    assert journal.readable
    assert journal.durable().technician == "T-4"
    journal.start()
    journal.tell(told(5))
    assert not journal.flush(1.5)
    assert (journal.fault, journal.lost) == ("read-only", 0)
    subprocess.run([*remount[:2], "remount,rw", remount[3]], check=True)
    assert journal.flush(LIMIT_S)
    assert journal.fault is None
    assert journal.stop()
    with History(path) as history:
        assert history.verify().count == 6


def test_what_units_have_been_through_is_known_from_a_read_only_card(small_disk):
    """Heat budget and vapour are read though nothing can be written: unknown would look like none."""
    path = small_disk / "bench.db"
    ledger = Ledger(path)
    placed = (events.UnitBookedIn(unit="U-1", model="m"), events.UnitPlaced(unit="U-1"))
    drawn = events.SolventDispensed(values={"ml": 30.0, "added_ml": 30.0})
    ledger.write([Told(Moment("b", 0), placed), Told(Moment("b", 100_000), (drawn,))])
    ledger.write([replace(second(at), plate_mean_c=100.0, plate_max_c=100.0) for at in range(1, 120)])
    ledger.close()
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    journal = Journal(path, 0.5)
    assert journal.fault == "read-only"
    book = Book(Limits(), default_sheet())
    known = journal.remembered(book, Moment("b", 130_000))
    assert known.hot_ms["U-1"] >= 118_000
    assert lel_share(known.vapour, book.limits.solvent) > 0.25


def test_damaged_journal_on_a_read_only_card_keeps_nobody_from_working(small_disk):
    """A worn card is both at once: nothing can be set aside or read, the bench begins with nothing known."""
    path = written(small_disk / "bench.db", 5)
    garble_root(path, "events")
    remount = ["mount", "-o", "remount,ro", str(small_disk)]
    subprocess.run(remount, check=True)
    journal = Journal(path, 0.5)
    assert (journal.fault, journal.readable) == ("read-only", False)
    assert journal.durable().technician is None
    subprocess.run([*remount[:2], "remount,rw", remount[3]], check=True)
    journal.start()
    journal.tell(told(5))
    assert journal.flush(LIMIT_S)
    assert journal.set_aside is not None
    assert journal.stop()


def test_reader_with_a_long_transaction_holds_nobody_up(tmp_path):
    """The log grows while it reads, the station writes on, and afterwards the log is short again."""
    path = written(tmp_path / "bench.db")
    journal = Journal(path, 0.2)
    journal.start()
    wal = path.with_name("bench.db-wal")
    with closing(sqlite3.connect(path, isolation_level=None)) as reader:
        reader.execute("BEGIN")
        before = reader.execute("SELECT count(*) FROM events").fetchone()
        for number in range(800):  # a transaction each
            journal.tell(told(1000 + number))
            assert journal.flush(LIMIT_S)
        assert journal.fault is None
        assert reader.execute("SELECT count(*) FROM events").fetchone() == before
        assert wal.stat().st_size > 2 * WAL_LIMIT
    for number in range(50):
        journal.tell(told(9000 + number))
        assert journal.flush(LIMIT_S)
    assert wal.stat().st_size <= WAL_LIMIT
    assert journal.stop()
    with History(path) as history:
        assert history.verify().count == 400 + 800 + 50


def test_journal_in_a_folder_that_vanished_says_so_and_does_not_crash(tmp_path):
    """Somebody pulls the stick: writes go to the open file or fail, the thread lives, the end is told."""
    folder = tmp_path / "stick"
    folder.mkdir()
    journal = Journal(folder / "bench.db", 0.2)
    journal.start()
    journal.tell(told(0))
    assert journal.flush(LIMIT_S)
    shutil.rmtree(folder)
    journal.tell(told(1))
    journal.flush(3.0)
    assert journal._thread.is_alive()  # whatever the disk does, the thread lives
    journal.stop()
    with pytest.raises(FailureError):
        Journal(folder / "bench.db", 0.2)
