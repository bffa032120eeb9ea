"""The chain as the pages walk it: all of it once, then what is new and what is shown."""

import sqlite3
from contextlib import closing

import pytest

from dashboard.chain_seen import SeenChain
from shared import events
from shared.history import History
from shared.timeline import Moment
from station.journal.ledger import BootClock, Ledger, Told


def write(path, count):
    """So many events more."""
    ledger = Ledger(path)
    try:
        ledger.write([BootClock("b", 0)])
        ledger.write([Told(Moment("b", 1000), (events.SignedIn(technician="T-4"),)) for _ in range(count)])
    finally:
        ledger.close()


def spoil(path, sql):
    """Write to the record behind the station's back."""
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(sql)


@pytest.fixture
def path(tmp_path):
    """A record of 22 events."""
    write(tmp_path / "bench.db", 22)
    return tmp_path / "bench.db"


def look(chain, path):
    """What the look finds beside what a walk of all does: they must be the same."""
    with History(path) as history:
        found = chain.look(history)
        assert found == history.verify()
    return found.count, found.seq


@pytest.fixture
def chain(path):
    """The chain of the record, looked at once."""
    chain = SeenChain()
    assert look(chain, path) == (22, None)
    return chain


def test_events_that_are_known_are_not_walked_again(chain, path, monkeypatch):
    """They are known by what is stored of them; only the new ones have their hashes reckoned."""
    write(path, 5)
    hashed = []
    monkeypatch.setattr(
        "shared.chain.event_hash", lambda prev, event: hashed.append(event["seq"]) or event["hash"]
    )
    with History(path) as history:
        assert [chain.look(history).count, chain.look(history).count] == [27, 27]
    assert hashed == [23, 24, 25, 26, 27]


@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE events SET body = replace(body, 'T-4', 'T-5') WHERE seq = {}",
        "UPDATE events SET kind = 'signed-out' WHERE seq = {}",
        "UPDATE events SET unit = 'U-1' WHERE seq = {}",
        "UPDATE events SET mono_ms = mono_ms + 1 WHERE seq = {}",
        "UPDATE events SET prev = hash WHERE seq = {}",
        "UPDATE events SET hash = prev WHERE seq = {}",
        "UPDATE events SET body = X'00' WHERE seq = {}",
        "DELETE FROM events WHERE seq = {}",
    ],
)
@pytest.mark.parametrize("seq", [1, 2, 11, 21, 22, 24])
def test_whatever_is_changed_is_found_at_the_next_look(chain, path, sql, seq):
    """Among what is known or what is new, and at every look after it as well."""
    write(path, 2)
    spoil(path, sql.format(seq))
    found = look(chain, path)
    cut = (23, None)  # a chain whose tail is gone is a shorter one
    assert found == cut if (seq, sql[:6]) == (24, "DELETE") else found[1] in (seq, seq + 1)
    assert look(chain, path) == found


def test_an_event_before_the_first_is_found(chain, path):
    """Nothing has a place there."""
    spoil(
        path,
        "INSERT INTO events SELECT -1, boot_id, mono_ms, kind, unit, body, prev, hash FROM events LIMIT 1",
    )
    assert look(chain, path) == (0, -1)


def test_a_mended_record_is_known_again(chain, path):
    """After a walk that finds it whole."""
    spoil(path, "UPDATE events SET body = replace(body, 'T-4', 'T-5') WHERE seq = 12")
    assert look(chain, path)[1] == 12
    spoil(path, "UPDATE events SET body = replace(body, 'T-5', 'T-4') WHERE seq = 12")
    assert [look(chain, path), look(chain, path)] == [(22, None)] * 2


def test_another_record_in_the_place_of_the_first_is_walked(chain, path, tmp_path):
    """A longer one, a shorter one, and the first again."""
    first = path.read_bytes()
    for count in (40, 3):
        write(tmp_path / "other.db", count)
        path.write_bytes((tmp_path / "other.db").read_bytes())
        assert look(chain, path)[1] is None
    path.write_bytes(first)
    assert look(chain, path) == (22, None)


def test_a_record_without_events_is_whole(tmp_path):
    """From its first look on."""
    chain, path = SeenChain(), tmp_path / "empty.db"
    write(path, 0)
    assert [look(chain, path), look(chain, path)] == [(0, None)] * 2
    write(path, 2)
    assert look(chain, path) == (2, None)


def test_a_look_that_fails_leaves_nothing_known(chain, path, monkeypatch):
    """The next one walks all of it."""

    class Failing:
        def stored(self):
            raise OSError("the card is gone")

    with pytest.raises(OSError, match="card"):
        chain.look(Failing())
    assert look(chain, path) == (22, None)
