"""No two events of a station bear the same boot and number, whatever became of its database in between."""

from shared.events import Calibrated, SignedIn
from shared.history import History
from shared.timeline import Moment
from station.clock import RealClock
from station.journal.backup import back_up, restore
from station.journal.boot_name import BOOT_ID, boot_name, rename_boot
from station.journal.ledger import Ledger, Told
from station.journal.recording import record_now
from station.journal.writer import Journal

BODY = Calibrated(channel="plate", technician="T-1", values={}, points=[], due=None)


def names(path):
    """Boot and number of every event."""
    with History(path) as history:
        return [(dated.record.boot, dated.record.seq) for dated in history.events()]


def write(path):
    """One event more, in this boot of the machine."""
    if not path.exists():
        Ledger(path).close()
    record_now(path, RealClock(boot_name(path)), BODY)


def test_events_after_a_restore_bear_other_names(tmp_path):
    """Copied after one event, a second told, put back, a second and a third told: six are six."""
    path, copy = tmp_path / "bench.db", tmp_path / "copy.db"
    write(path)
    back_up(path, copy)
    write(path)
    told = set(names(path))
    for _ in range(2):
        restore(copy, path)
        write(path)
        new = set(names(path)) - set(names(copy))
        assert new
        assert not new & told
        told |= new


def test_events_after_a_damaged_database_bear_other_names(tmp_path):
    """The new one counts from 1 again, and the collector has had that number of this boot."""
    path = tmp_path / "bench.db"
    boot = boot_name(path)
    assert boot == BOOT_ID.read_text("ascii").strip()
    ledger = Ledger(path)
    ledger.write([Told(Moment(boot, 1), (SignedIn(technician="T-1"),))])
    ledger.close()
    before = names(path)
    path.write_bytes(b"\xff" * path.stat().st_size)
    Journal(path, 1.0).stop()
    write(path)
    assert not set(names(path)) & set(before)


def test_the_next_boot_has_its_own_name_again(tmp_path):
    """Numbers of another boot stand under another name anyway; a file that says nothing changes nothing."""
    path, first, second = tmp_path / "bench.db", tmp_path / "first", tmp_path / "second"
    first.write_text("one\n")
    second.write_text("two\n")
    assert boot_name(path, first) == "one"
    rename_boot(path, first)
    rename_boot(path, first)
    assert (boot_name(path, first), boot_name(path, second)) == ("one.2", "two")
    rename_boot(path, second)
    assert (boot_name(path, first), boot_name(path, second)) == ("one", "two.1")
    path.with_name("bench.db.boot").write_text("nonsense")
    assert boot_name(path, second) == "two"
