"""What collecting costs: readings a second into PostgreSQL beside COPY alone, through a broker, on disk."""

import os
import statistics
import time

import psycopg
import pytest
from collecting import Collected, Publisher, Running, reading
from live import Broker, wait_until
from postgres import postgres_here

from dashboard.collector.boots import month_of
from dashboard.collector.follow import IN_FLIGHT
from dashboard.collector.rows import Row, row_of
from dashboard.collector.store import Store

pytestmark = pytest.mark.benchmark
STATIONS, SECONDS, ROUNDS = 200, 400, 5
NOW_S = 1_772_440_000
BOOT = "0f0e0d0c-{:04d}-4a00-8000-0123456789ab"
FLOOR = 0.4


@pytest.fixture(scope="module")
def server():
    """A running PostgreSQL."""
    server = postgres_here()
    server.start()
    yield server
    server.remove()


def messages(first: int, seconds: int = SECONDS) -> list:
    """Seconds of all stations, as they come: station by station within each second."""
    return [
        reading(f"bench-{n}", second, 1000 * (NOW_S + second), BOOT.format(n))
        for second in range(first, first + seconds)
        for n in range(STATIONS)
    ]


def test_writing_beside_copy_alone(server, capsys):
    """The floor is one COPY of the same rows into a table with the same columns and key, in one transaction.

    The collector's way looks up boots, makes room for months, commits a window at a time and bars repeats.
    """
    store = Store(server.url, clock=lambda: NOW_S)
    with psycopg.connect(server.url) as bare:
        ratios, rates = [], []
        for turn in range(ROUNDS):
            rows = [row_of(told) for told in messages(turn * SECONDS)]
            begun = time.perf_counter()
            for start in range(0, len(rows), IN_FLIGHT):
                store.write(rows[start : start + IN_FLIGHT])
            ours_s = time.perf_counter() - begun
            if turn == 0:
                bare.execute("CREATE TABLE bare (LIKE readings INCLUDING ALL)")
                bare.commit()
            plain = [
                (int(row.station[6:]), row.key, month_of(NOW_S), *row.values)
                for row in rows
                if isinstance(row, Row)
            ]
            begun = time.perf_counter()
            with bare.cursor() as cursor, cursor.copy("COPY bare FROM STDIN") as copy:
                for each in plain:
                    copy.write_row(each)
            bare.commit()
            copy_s = time.perf_counter() - begun
            ratios.append(copy_s / ours_s)
            rates.append((len(rows) / ours_s, len(rows) / copy_s))
        (count,) = bare.execute("SELECT count(*) FROM readings").fetchone()
        (heap, index) = bare.execute(
            "SELECT sum(pg_relation_size(c.inhrelid)), sum(pg_indexes_size(c.inhrelid)) FROM pg_inherits c "
            "WHERE c.inhparent = 'readings'::regclass"
        ).fetchone()
    store.close()
    assert count == STATIONS * SECONDS * ROUNDS
    ratio = statistics.median(ratios)
    ours, copies = (statistics.median(column) for column in zip(*rates, strict=True))
    with capsys.disabled():
        print(f"\ncollector writes {ours:,.0f} readings/s, COPY alone {copies:,.0f}: ratio {ratio:.2f}")
        print(f"a reading on disk: {heap / count:.0f} bytes of table, {index / count:.0f} of key")
    assert ratio >= FLOOR


def cpu_s(pid: int) -> float:
    """Seconds of processor time that a process has used."""
    with open(f"/proc/{pid}/stat") as stat:
        fields = stat.read().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def test_reading_messages(capsys):
    """How many messages a second are made rows."""
    told = messages(0, 100)
    begun = time.perf_counter()
    rows = [row_of(each) for each in told]
    took_s = time.perf_counter() - begun
    assert all(isinstance(row, Row) for row in rows)
    with capsys.disabled():
        print(f"\nmessages to rows: {len(rows) / took_s:,.0f} a second")


def test_through_the_broker(server, tmp_path, capsys):
    """A backlog that waits at the broker, drained by one collector: processor time of each on the way."""
    tmp_path.chmod(0o777)
    broker = Broker(tmp_path)
    config = broker._config.read_text().replace("inflight_messages 1000", f"inflight_messages {IN_FLIGHT}")
    broker._config.write_text(config)
    broker.start()
    told = messages(10_000, 200)
    first = Running(tmp_path, broker.port, server.url, "one")
    first.end()
    publisher = Publisher(broker.port)
    before = cpu_s(broker._process.pid)
    publisher.publish(told)
    wait_until(publisher.landed, 60, "the backlog at the broker")
    taken_in_s = cpu_s(broker._process.pid) - before
    held, wanted = Collected(server.url), "readings WHERE mono_s >= 10000"
    before, begun = cpu_s(broker._process.pid), time.perf_counter()
    running = Running(tmp_path, broker.port, server.url, "one")
    wait_until(lambda: held.count(wanted) == len(told), 60, "the backlog in the database")
    took_s = time.perf_counter() - begun
    handed_out_s, collector_s = cpu_s(broker._process.pid) - before, cpu_s(running.process.pid)
    running.end()
    publisher.close()
    held.close()
    broker.end()
    with capsys.disabled():
        print(f"\n{len(told):,} messages drained at {len(told) / took_s:,.0f} a second, start included;")
        print(f"processor time for each: broker {1e6 * taken_in_s / len(told):.0f} µs in and")
        print(f"{1e6 * handed_out_s / len(told):.0f} out, collector {1e6 * collector_s / len(told):.0f}")
