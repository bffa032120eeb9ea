"""The store over a real SQLite file, and the sieve over a store that refuses."""

import pytest
from collecting import Collected, clock_set, event, reading

from dashboard.collector.rows import Row, SetAside, row_of
from dashboard.collector.sieve import write_all
from dashboard.collector.store import AwayError, RefusedError, Store
from shared.problems import InputError

ZERO_MS = 1_772_440_000_000


@pytest.fixture
def url(tmp_path):
    """A file that does not exist yet."""
    return f"sqlite:///{tmp_path}/all.db"


@pytest.fixture
def store(url):
    """A store at ZERO_MS."""
    store = Store(url, clock=lambda: ZERO_MS / 1000)
    yield store
    store.close()


@pytest.fixture
def held(url):
    """What it holds."""
    held = Collected(url)
    yield held
    held.close()


def test_the_same_rows_twice_are_kept_once(store, held):
    """Within a batch and across batches."""
    rows = [
        row_of(reading("s", 1)),
        row_of(event("s", 1, 1000)),
        row_of(reading("s", 1)._replace(payload=b"x")),
    ]
    store.write([*rows, *rows])
    store.write(rows)
    assert [held.count(table) for table in ("readings", "events", "set_aside", "boots")] == [1, 1, 1, 1]


def test_rows_are_dated_late(store, held):
    """What came before the clock was set is dated by the boot's offset, once that is told."""
    dated = "SELECT at FROM dated_readings"
    store.write([row_of(reading("s", 10))])
    assert held.ask(dated) == [(None,)]
    store.write([row_of(clock_set("s", 2, 20_000, ZERO_MS + 20_000))])
    assert held.ask(dated) == [("2026-03-02T08:26:50.000Z",)]
    # An older opinion, sent again, changes nothing; a newer one does.
    store.write([row_of(reading("s", 11, ZERO_MS - 5_000_000)), row_of(clock_set("s", 1, 0, ZERO_MS - 9000))])
    assert held.ask(dated)[0] == ("2026-03-02T08:26:50.000Z",)
    store.write([row_of(clock_set("s", 3, 30_000, ZERO_MS + 31_000))])
    assert held.ask(dated)[0] == ("2026-03-02T08:26:51.000Z",)


def test_a_resent_row_keeps_its_month_whatever_was_learned(store, held):
    """The boot's zero is reckoned once; an offset of another year does not move its rows."""
    store.write([row_of(reading("s", 10))])
    store.write([row_of(clock_set("s", 2, 0, ZERO_MS - 40_000_000_000))])
    store.write([row_of(reading("s", 10, ZERO_MS - 40_000_000_000))])
    assert held.ask("SELECT month FROM readings") == [("2026-03-01",)]


def test_a_database_that_is_away_is_told_so(tmp_path):
    """A folder that does not exist."""
    with pytest.raises(AwayError, match="unable to open"):
        Store(f"sqlite:///{tmp_path}/no/all.db").write([row_of(reading("s", 1))])


@pytest.mark.parametrize("url", ["mysql://a/b", "sqlite://", "x", "postgresql+other://a/b"])
def test_another_database_is_refused(url):
    """The message says what would be right."""
    with pytest.raises(InputError, match="postgresql://"):
        Store(url)


class Picky(Store):
    """Refuses a batch with a row of these seconds, and counts the batches."""

    def __init__(self, url: str, bad: set[int]) -> None:
        super().__init__(url)
        self.bad = bad
        self.tries = 0

    def write(self, rows):
        """Refuse, or write."""
        self.tries += 1
        if any(isinstance(row, Row) and row.key in self.bad for row in rows):
            raise RefusedError("it is bad")
        super().write(rows)


def test_bad_rows_are_found_and_the_others_written(url, held):
    """Two of a thousand, in a few tries."""
    store = Picky(url, {17, 800})
    write_all(store, [row_of(reading("s", second)) for second in range(1000)])
    store.close()
    assert held.count("readings") == 998
    assert held.ask("SELECT DISTINCT reason FROM set_aside") == [("the database refuses it: it is bad",)]
    assert held.count("set_aside") == 2
    assert store.tries < 60


def test_what_cannot_even_be_set_aside_holds_up_nobody(url, held, caplog):
    """It is logged as lost."""

    class Worse(Picky):
        def write(self, rows):
            if any(isinstance(row, SetAside) for row in rows):
                raise RefusedError("that too")
            super().write(rows)

    store = Worse(url, {1})
    write_all(store, [row_of(reading("s", second)) for second in range(3)])
    store.close()
    assert held.count("readings") == 2
    assert "is lost" in caplog.text
