"""Backups: whole, verified, taken while the station writes; and put back without losing what was there."""

import sqlite3
import threading
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner

from shared import events
from shared.history import History
from shared.problems import FailureError, InputError
from shared.timeline import Moment
from station.cli import main
from station.journal.backup import back_up, older_copies, restore, verified
from station.journal.ledger import Ledger, Told


def told(number: int) -> Told:
    """An event."""
    return Told(Moment("b", number), (events.SignedIn(technician=f"T-{number}"),))


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A database with a hundred events."""
    ledger = Ledger(tmp_path / "bench.db")
    ledger.write([told(number) for number in range(100)])
    ledger.close()
    return tmp_path / "bench.db"


def test_backup_is_one_whole_file(path, tmp_path):
    """The copy has the events, the head, and nothing beside it."""
    folder = tmp_path / "copies"
    folder.mkdir()
    copied = back_up(path, folder / "copy.db")
    with History(path) as history:
        assert copied.head == history.verify().head
    assert copied.events == 100
    assert [file.name for file in folder.iterdir()] == ["copy.db"]


def test_backup_is_of_a_kind_that_needs_no_file_beside_it(path, tmp_path):
    """Bytes 18 and 19 of the file: 2 where there is a write-ahead log, 1 where there is none.

    Source: the SQLite file format, https://www.sqlite.org/fileformat.html, "The Database Header".
    """
    copied = back_up(path, tmp_path / "copy.db")
    assert path.read_bytes()[18:20] == b"\x02\x02"
    assert copied.path.read_bytes()[18:20] == b"\x01\x01"
    copied.path.chmod(0o444)
    with closing(sqlite3.connect(copied.path)) as connection:
        assert connection.execute("SELECT count(*) FROM events").fetchone() == (100,)
        assert [file.name for file in tmp_path.glob("copy.db*")] == ["copy.db"]


def test_backup_into_a_folder_gets_the_name_and_the_time(path, tmp_path):
    """One command a night, no name to think of."""
    copied = back_up(path, tmp_path)
    assert copied.path.parent == tmp_path
    assert copied.path.name.startswith("bench-2")


def test_backup_of_a_file_that_is_written_is_a_moment_of_it(path, tmp_path):
    """Ten copies while a writer goes on: each one whole, each no older than the one before."""
    ledger, stop = Ledger(path), threading.Event()

    def write() -> None:
        number = 100
        while not stop.is_set():
            ledger.write([told(number)])
            number += 1

    writer = threading.Thread(target=write)
    writer.start()
    try:
        counts = [back_up(path, tmp_path / f"copy-{index}.db").events for index in range(10)]
    finally:
        stop.set()
        writer.join()
        ledger.close()
    assert counts == sorted(counts)
    assert counts[-1] > 100


def test_backup_does_not_overwrite(path, tmp_path):
    """A name that is taken is refused, and what is there stays."""
    (tmp_path / "copy.db").write_text("mine")
    with pytest.raises(InputError, match="is there already"):
        back_up(path, tmp_path / "copy.db")
    assert (tmp_path / "copy.db").read_text() == "mine"


def test_backup_of_a_broken_chain_fails_and_leaves_nothing(path, tmp_path):
    """A copy that does not hold together is none."""
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("UPDATE events SET body = replace(body, 'T-50', 'T-51')")
        connection.commit()
    before = sorted(file.name for file in tmp_path.iterdir())
    with pytest.raises(FailureError, match="event 51 was changed"):
        back_up(path, tmp_path / "copy.db")
    assert sorted(file.name for file in tmp_path.iterdir()) == before


def test_restore_keeps_what_was_there(path, tmp_path):
    """The old file stands aside under a name that says why; the chain goes on from the copy."""
    copied = back_up(path, tmp_path / "copy.db")
    ledger = Ledger(path)
    ledger.write([told(100)])
    ledger.close()
    put_back, aside = restore(tmp_path / "copy.db", path)
    assert put_back.head == copied.head
    assert aside is not None
    assert verified(aside).events == 101
    ledger = Ledger(path)
    assert ledger.seq == 100
    ledger.close()


@pytest.mark.parametrize("gone", [False, True], ids=["database there", "database removed by hand"])
def test_restore_is_not_undone_by_the_log_of_the_old_file(path, tmp_path, gone):
    """A station that was killed left its write-ahead log; SQLite would play it over what was put back."""
    copied = back_up(path, tmp_path / "copy.db")
    ledger = Ledger(path)
    ledger.write([told(number) for number in range(100, 110)])
    sides = {name: path.with_name(path.name + name).read_bytes() for name in ("-wal", "-shm")}
    whole = path.read_bytes()
    ledger.close()
    path.write_bytes(whole)
    for name, content in sides.items():
        path.with_name(path.name + name).write_bytes(content)
    assert len(sides["-wal"]) > 0
    if gone:
        path.unlink()
    done = CliRunner().invoke(main, ["restore", str(tmp_path / "copy.db"), "--db", str(path)])
    assert (done.exit_code, f"read back whole; head {copied.head}" in done.stdout) == (0, True)
    assert verified(path).head == copied.head
    aside = Path(done.stdout.split("is kept as ")[1].strip())
    assert aside.exists()
    assert aside.name.endswith("-wal") == gone
    kept = aside if gone else aside.with_name(aside.name + "-wal")
    assert kept.read_bytes()[:32] == sides["-wal"][:32]
    if not gone:
        assert verified(aside).events == 110


def test_restore_moves_an_unfinished_transaction_of_the_old_file_aside(path, tmp_path):
    """A rollback journal that is left belongs to the old file as well."""
    back_up(path, tmp_path / "copy.db")
    path.unlink()
    path.with_name(path.name + "-journal").write_bytes(b"old")
    _, aside = restore(tmp_path / "copy.db", path)
    assert aside is not None
    assert aside.read_bytes() == b"old"
    assert not path.with_name(path.name + "-journal").exists()


def test_restore_where_nothing_was_keeps_nothing(path, tmp_path):
    """A new machine: there is nothing to set aside."""
    back_up(path, tmp_path / "copy.db")
    put_back, aside = restore(tmp_path / "copy.db", tmp_path / "new.db")
    assert (put_back.events, aside) == (100, None)


def test_restore_is_refused_while_a_station_writes(path, tmp_path):
    """Nothing is touched."""
    back_up(path, tmp_path / "copy.db")
    ledger = Ledger(path)
    with pytest.raises(FailureError, match="another station writes this journal"):
        restore(tmp_path / "copy.db", path)
    ledger.write([told(100)])
    ledger.close()


def test_restore_of_something_else_is_refused(path, tmp_path):
    """A file that is no station's database is not put in its place."""
    (tmp_path / "notes.db").write_text("shopping list")
    before = path.read_bytes()
    with pytest.raises(InputError, match=r"notes\.db"):
        restore(tmp_path / "notes.db", path)
    assert path.read_bytes() == before


def test_commands_say_what_they_did(path, tmp_path):
    """Backup and restore as a person calls them."""
    run = CliRunner().invoke
    made = run(main, ["backup", str(tmp_path / "copy.db"), "--db", str(path)])
    assert (made.exit_code, "100 events, read back whole; head " in made.stdout) == (0, True)
    back = run(main, ["restore", str(tmp_path / "copy.db"), "--db", str(path)])
    assert (back.exit_code, "What was there before is kept as" in back.stdout) == (0, True)
    assert run(main, ["backup", str(tmp_path), "--db", "/nowhere.db"]).exit_code == 2
    assert run(main, ["prune", "--db", str(path), "--older-than", "0"]).exit_code == 2
    dry = run(main, ["prune", "--db", str(path), "--older-than", "1", "--dry-run", "--as-of", "2026-03-02"])
    assert (dry.exit_code, dry.stdout[:48]) == (0, "0 seconds from before 2026-03-01T00:00:00.000Z w")


def test_older_copies_never_names_the_new_one_nor_strangers(tmp_path):
    """The newest copies stay; one made while the clock was wrong is not its own victim."""
    names = [f"bench-2026030{day}T033000Z.db" for day in range(1, 6)]
    strangers = ["bench-before-the-move.db", "other-20200101T033000Z.db", "bench-20200101T033000Z.db-wal"]
    for name in [*names, *strangers, "bench-19700101T000010Z.db"]:
        (tmp_path / name).touch()
    new = tmp_path / "bench-19700101T000010Z.db"
    assert [path.name for path in older_copies(new, 3)] == names[:3]
    assert older_copies(new, 6) == []
    assert older_copies(new, 1) == [tmp_path / name for name in names]
