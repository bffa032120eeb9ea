"""The store on a real PostgreSQL: partitions, late dating, repeats, and what the pages read from it."""

import threading

import pytest
from collecting import clock_set, event, reading, started

from dashboard.collected import Collected as Pages
from dashboard.collector.gaps import Gap, Hole, holes_in
from dashboard.collector.rows import row_of
from dashboard.collector.store import Store, reading_engine

pytestmark = pytest.mark.system
ZERO_S = 1_772_440_000  # 2026-03-02T08:26:40Z by GNU date
MONTH_S = 31 * 86_400


@pytest.fixture
def store(database):
    """A store at ZERO_S."""
    store = Store(database, clock=lambda: ZERO_S)
    yield store
    store.close()


def where(collected) -> list:
    """Which partition holds which second."""
    return collected.ask("SELECT tableoid::regclass::text, mono_s FROM readings ORDER BY mono_s")


def test_rows_lie_in_the_months_of_their_measurement(store, collected):
    """Also of a boot that runs for months; this month and the next are there before a row asks for them."""
    tables = "SELECT relname FROM pg_class WHERE relkind = 'r' AND relname ~ '^(readings|events)_' ORDER BY 1"
    store.write([row_of(reading("s", 10))])
    made = [name for (name,) in collected.ask(tables)]
    assert made == ["events_2026_03", "events_2026_04", "readings_2026_03", "readings_2026_04"]
    store.write([row_of(reading("s", 10 + MONTH_S)), row_of(reading("s", 10 + 3 * MONTH_S))])
    assert where(collected) == [
        ("readings_2026_03", 10),
        ("readings_2026_04", 10 + MONTH_S),
        ("readings_2026_06", 10 + 3 * MONTH_S),
    ]


def test_a_resend_is_barred_whatever_the_month_is_by_now(database, store, collected):
    """By another collector, in another month, after the boot was dated elsewhere."""
    rows = [row_of(reading("s", second)) for second in range(20)] + [row_of(event("s", 1, 1000))]
    store.write(rows)
    store.write([row_of(clock_set("s", 2, 0, 1000 * (ZERO_S - 9 * MONTH_S)))])
    later = Store(database, clock=lambda: ZERO_S + 5 * MONTH_S)
    later.write([*rows, row_of(reading("s", 20))])
    later.close()
    assert [name for name, _ in where(collected)] == ["readings_2026_03"] * 21
    assert collected.count("events") == 2


def test_rows_are_dated_late(store, collected):
    """By the view, in the database's own type."""
    dated = "SELECT (at AT TIME ZONE 'UTC')::text FROM dated_readings"
    store.write([row_of(reading("s", 10))])
    assert collected.ask(dated) == [(None,)]
    store.write([row_of(clock_set("s", 2, 20_000, 1000 * (ZERO_S + 20)))])
    assert collected.ask(dated) == [("2026-03-02 08:26:50",)]
    assert collected.ask("SELECT data->>'kind', seq FROM dated_events") == [("clock-set", 2)]


def test_writers_of_the_same_rows_do_not_lock_each_other_out(database, collected):
    """Four at once, each in another order: PostgreSQL ends circles, and the rows are there once."""
    rows = [row_of(reading(f"s{n}", second)) for n in range(10) for second in range(100)]
    orders = [rows, rows[::-1], rows[500:] + rows[:500], rows[1::2] + rows[::2]]
    stores = [Store(database, clock=lambda: ZERO_S) for _ in orders]
    threads = [
        threading.Thread(target=store.write, args=(order,))
        for store, order in zip(stores, orders, strict=True)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    for store in stores:
        store.close()
    assert collected.count("readings") == 1000


def test_the_pages_read_it(database, store):
    """The same questions as of an SQLite file."""
    rows = [row_of(reading("a", second, 1000 * (ZERO_S + second))) for second in range(200)]
    store.write([*rows, row_of(event("a", 3, 5000, 1000 * (ZERO_S + 5)))])
    pages = Pages(database)
    assert [(each.station, each.at_s, each.dated) for each in pages.last_seen()] == [
        ("a", ZERO_S + 199, True)
    ]
    minute = pages.minutes("a", ZERO_S + 20, ZERO_S + 80)
    assert [(each.at_s, each.mean_c) for each in minute] == [(ZERO_S + 20, pytest.approx(20.495))]
    assert [(each.seq, each.data["kind"]) for each in pages.events("a", ZERO_S, ZERO_S + 86_400)] == [
        (3, "signed-out")
    ]
    assert pages.gaps("a") == [Gap("a", 1, 2, twice=False)]
    pages.close()


def test_holes_between_seconds_are_told_with_why(database, store):
    """As on SQLite: lost while the station ran, or not recorded because it did not."""
    seconds = [*range(5), *range(8, 10), *range(20, 22)]
    store.write([row_of(reading("a", second)) for second in seconds])
    store.write([row_of(started("a", 1, 100)), row_of(started("a", 2, 19_400))])
    engine = reading_engine(database)
    with engine.connect() as connection:
        found = holes_in(connection)
    engine.dispose()
    assert found == [Hole("a", "b", 5, 7, stopped=False), Hole("a", "b", 10, 19, stopped=True)]
