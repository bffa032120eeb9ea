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


class Hand:
    """A look at the chain at a time that is told."""

    def __init__(self, path):
        self.path, self.now_s, self.as_whole = path, 100.0, False
        self.chain = SeenChain(lambda: self.now_s)

    def look(self, *shown):
        """What the look finds: events, problem's seq, when all was walked, whether just now."""
        with History(self.path) as history:
            walked = self.chain.look(history, *shown)
            self.as_whole = walked.verdict == history.verify()
        return walked.verdict.count, walked.verdict.seq, walked.whole_s, walked.just_now


@pytest.fixture
def hand(path, monkeypatch):
    """Somebody who has looked at all of the record, at second 100, and comes again at 200."""
    monkeypatch.setattr("dashboard.chain_seen.APART", 5)
    hand = Hand(path)
    assert hand.look(11, 12) == (22, None, 100.0, True)
    hand.now_s = 200.0
    return hand


@pytest.mark.parametrize("shown", [(), (22, 22), (21, 22), (20, 20), (11, 15), (11, 12), (1, 22), (1, 1)])
def test_later_looks_tell_when_all_was_walked(hand, path, shown):
    """With new events or without: the head is the whole chain's, the time that of the first look."""
    assert hand.look(*shown) == (22, None, 100.0, False)
    write(path, 7)
    assert hand.look(*shown) == (29, None, 100.0, False)
    assert hand.as_whole
    assert hand.look(24, 29) == (29, None, 100.0, False)


EDIT = "update events set body = replace(body, 'T-4', 'T-5') where seq = {}"


@pytest.mark.parametrize(
    ("shown", "changed"),
    [((11, 15), 11), ((11, 15), 15), ((1, 3), 1), ((12, 13), 13), ((21, 22), 22), ((4, 22), 9)],
)
def test_a_change_of_what_is_shown_is_found_and_the_next_look_walks_all(hand, path, shown, changed):
    """It is named, and nothing that was known counts any more."""
    spoil(path, EDIT.format(changed))
    assert hand.look(*shown) == (changed - 1, changed, 200.0, True)
    assert hand.look() == (changed - 1, changed, 200.0, True)


def test_a_change_among_the_new_is_found(hand, path):
    """Nothing of it was ever walked."""
    write(path, 5)
    spoil(path, EDIT.format(25))
    assert hand.look()[:2] == (24, 25)


def test_a_mended_record_is_known_again(hand, path):
    """After the walk of all that finds it whole."""
    spoil(path, EDIT.format(12))
    assert hand.look(11, 12)[1] == 12
    spoil(path, "update events set body = replace(body, 'T-5', 'T-4') where seq = 12")
    assert [hand.look(11, 12)[1:], hand.look(11, 12)[1:]] == [(None, 200.0, True), (None, 200.0, False)]


def test_an_older_change_is_found_by_the_walk_of_all(hand, path):
    """What is not shown is not walked again: the page says when all of it was."""
    spoil(path, EDIT.format(3))
    assert hand.look(11, 15) == (22, None, 100.0, False)
    with History(path) as history:
        assert history.chain().seq == 3


@pytest.mark.parametrize(
    "sql", ["delete from events where seq = 22", "update events set hash = prev where seq = 22"]
)
def test_a_record_that_holds_another_head_is_walked_whole(hand, path, sql):
    """Its tail was cut off, or it was written anew: nothing that was known counts."""
    spoil(path, sql)
    *_, whole_s, just_now = hand.look(15, 16)
    assert (whole_s, just_now) == (200.0, True)


@pytest.mark.parametrize("gone", [8, 11, 15])
def test_events_missing_among_what_is_shown_are_found(hand, path, gone):
    """And those just before: all is walked, and the gap named."""
    spoil(path, f"delete from events where seq = {gone}")
    assert hand.look(8, 15)[:2] == (gone - 1, gone + 1)


def test_a_record_without_events_is_whole(tmp_path):
    """From its first look on."""
    write(tmp_path / "empty.db", 0)
    hand = Hand(tmp_path / "empty.db")
    assert [hand.look(), hand.look()] == [(0, None, 100.0, True), (0, None, 100.0, False)]
    write(tmp_path / "empty.db", 2)
    assert hand.look(1, 2) == (2, None, 100.0, False)
