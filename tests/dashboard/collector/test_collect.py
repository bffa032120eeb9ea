"""Collectors over a real Mosquitto into a real PostgreSQL or an SQLite file: nothing lost, nothing twice."""

import os
import signal
import sys
from pathlib import Path
from subprocess import run

import pytest
from collecting import Collected, Publisher, Running, event, reading
from live import Broker, wait_until

pytestmark = pytest.mark.system
MAKE = Path(__file__).parents[3] / "deploy" / "broker-files"
SHARED = ("--group", "g")
KEYS = "SELECT boots.station, readings.mono_s FROM readings JOIN boots ON boots.id = readings.boot_id"


@pytest.fixture
def publisher(broker):
    """Somebody who publishes for all stations."""
    publisher = Publisher(broker.port)
    yield publisher
    publisher.close()


def seconds(span: range, stations: int = 40) -> list:
    """A reading a second of each station, and an event every tenth."""
    told = []
    for second in span:
        for n in range(stations):
            told.append(reading(f"s{n}", second))
            if second % 10 == 0:
                told.append(event(f"s{n}", 1 + second // 10, 1000 * second))
    return told


def test_two_hundred_stations_at_once_lose_nothing(broker, database, collected, collector):
    """200 connections, 30 s of readings and 3 events each, two collectors: each row is there once."""
    both = [collector(database, "one", *SHARED), collector(database, "two", *SHARED)]
    stations = [Publisher(broker.port, f"station-{n}") for n in range(200)]
    for second in range(30):
        for n, station in enumerate(stations):
            station.publish([reading(f"s{n}", second)])
            if second % 10 == 0:
                station.publish([event(f"s{n}", 1 + second // 10, 1000 * second)])
    wait_until(lambda: collected.count("readings") == 6000, 30, "all readings")
    wait_until(lambda: collected.count("events") == 600, 10, "all events")
    for station in stations:
        station.close()
    assert [each.end() for each in both] == [0, 0]
    shares = [each.collected() for each in both]
    assert sum(shares) == 6600  # nothing came twice, so nothing was barred
    assert min(shares) > 660  # each took a share worth the name


def test_a_killed_collector_beside_another_loses_nothing(database, collected, collector, publisher):
    """SIGKILL with messages not acknowledged; under its name they come again, and the key bars repeats."""
    one = collector(database, "one", *SHARED)
    collector(database, "two", *SHARED)
    publisher.publish(seconds(range(100)))
    wait_until(lambda: collected.count("readings") > 200, 10, "the first readings")
    one.end(signal.SIGKILL)
    at_the_kill = collected.count("readings")
    publisher.publish(seconds(range(100, 150)))
    collector(database, "one", *SHARED)
    wait_until(lambda: collected.count("readings") == 6000, 20, "all readings")
    wait_until(lambda: collected.count("events") == 600, 10, "all events")
    assert at_the_kill < 6000


def test_a_stopped_collector_has_acknowledged_what_it_committed_and_no_more(
    tmp_path, database, collected, collector, publisher
):
    """What comes to its name afterwards, and what it had written, are the whole without an overlap."""
    one = collector(database)
    publisher.publish(seconds(range(200)))
    wait_until(lambda: collected.count("readings") > 500, 10, "the first readings")
    assert one.end(signal.SIGTERM) == 0
    before = set(collected.ask(KEYS))
    assert 500 < len(before) < 8000  # stopped in the middle
    wait_until(publisher.landed, 20, "the last message at the broker")
    rest = Collected(f"sqlite:///{tmp_path}/rest.db")
    collector(f"sqlite:///{tmp_path}/rest.db")
    wait_until(lambda: len(before | set(rest.ask(KEYS))) == 8000, 20, "the rest")
    assert not before & set(rest.ask(KEYS))
    rest.close()


def test_a_database_that_crashes_and_comes_back_has_everything(
    server, database, collected, collector, publisher
):
    """An immediate shutdown in the middle; the collector waits and goes on by itself."""
    one = collector(database)
    publisher.publish(seconds(range(50)))
    wait_until(lambda: collected.count("readings") > 200, 10, "the first readings")
    server.stop("immediate")
    publisher.publish(seconds(range(50, 100)))
    wait_until(lambda: "the database is away" in one.log(), 10, "the complaint")
    server.start()
    wait_until(lambda: collected.count("readings") == 4000, 20, "all readings")
    wait_until(lambda: collected.count("events") == 400, 10, "all events")
    assert one.end() == 0


@pytest.mark.parametrize("more", [(), SHARED])
def test_a_broker_that_restarts_keeps_what_waits(more, broker, database, collected, collector, publisher):
    """A collector that stands still meanwhile gets everything; alone, also what came before it was back.

    A shared subscription is forgotten by Mosquitto 2.0.11 when it restarts; what waits for it is not.
    """
    one = collector(database, "one", *more)
    one.process.send_signal(signal.SIGSTOP)
    publisher.publish(seconds(range(50)))
    wait_until(publisher.landed, 10, "the last message at the broker")
    broker.end(signal.SIGTERM)
    broker.start()
    if not more:
        publisher.publish(seconds(range(50, 60)))
        wait_until(publisher.landed, 10, "the last message at the broker")
    one.process.send_signal(signal.SIGCONT)
    wait_until(lambda: one.log().count("Collecting from") == 2, 15, "the collector's return")
    if more:
        publisher.publish(seconds(range(50, 60)))
    wait_until(lambda: collected.count("readings") == 2400, 15, "all readings")
    wait_until(lambda: collected.count("events") == 240, 10, "all events")


def test_sqlite_serves_a_small_shop(tmp_path, collector, publisher):
    """One collector, one file, killed in the middle."""
    to = f"sqlite:///{tmp_path}/all.db"
    one, held = collector(to), Collected(to)
    publisher.publish(seconds(range(50)))
    wait_until(lambda: held.count("readings") > 200, 10, "the first readings")
    one.end(signal.SIGKILL)
    collector(to)
    wait_until(lambda: held.count("readings") == 2000, 20, "all readings")
    assert held.count("events") == 200
    held.close()


def test_poison_blocks_nobody(database, collected, collector, publisher):
    """What cannot be read, and what only the database refuses, is set aside; the others are written."""
    collector(database)
    good = reading("s0", 1)
    broken = good._replace(payload=b"{broken")
    nul = event("s1", 1, 1000)
    nul = nul._replace(payload=nul.payload.replace(b'signed-out","prev', b'signed-out","n":"\\u0000","prev'))
    lone = event("s1", 2, 1000)
    lone = lone._replace(
        payload=lone.payload.replace(b'signed-out","prev', b'signed-out","n":"\\ud800","prev')
    )
    huge = good._replace(payload=good.payload.replace(b"20.01", b"1e300"))
    publisher.publish([*seconds(range(10), 5), broken, nul, lone, huge, *seconds(range(10, 20), 5)])
    wait_until(lambda: collected.count("readings") == 100, 10, "the good readings")
    wait_until(lambda: collected.count("set_aside") == 4, 10, "the others")
    found = dict(collected.ask("SELECT payload, reason FROM set_aside"))
    assert "ValidationError" in found[broken.payload]
    assert "unsupported Unicode escape" in found[nul.payload]
    assert "malformed" in found[lone.payload]
    assert "out of range" in found[huge.payload]


def test_gaps_are_told_by_the_command(tmp_path, database, collected, collector, publisher):
    """Exit code 1 and the missing range."""
    one = collector(database)
    publisher.publish([event("s1", seq, 1000 * seq) for seq in (1, 2, 3, 7, 8)])
    wait_until(lambda: collected.count("events") == 5, 10, "the events")
    one.end()
    program = Path(sys.executable).with_name("benchward")
    words = [program, "collect", "--to", database, "--gaps", "--format", "jsonl"]
    done = run(words, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (
        1,
        '{"station":"s1","first":4,"last":6,"what":"missing"}\n',
    )


def test_a_password_and_a_private_ca_let_it_in(tmp_path):
    """On the files that deploy/broker-files makes; a wrong password is refused, and the log says so."""
    broker, files = Broker(tmp_path), tmp_path / "files"
    run([MAKE, files], check=True, env={**os.environ, "PORT": str(broker.port)}, capture_output=True)
    broker._config = files / "mosquitto.conf"
    if os.getuid() == 0:
        with broker._config.open("a") as config:
            config.write("user root\n")
    broker.start()
    to, wrong = f"sqlite:///{tmp_path}/all.db", tmp_path / "wrong"
    wrong.write_text("wrong")
    access = ["--user", "collector", "--ca-file", files / "ca.crt", "--password-file"]
    out = Running(tmp_path, broker.port, to, "out", *access, wrong, until="refused the connection")
    assert out.end() == 0
    assert "Not authorized" in out.log()
    one = Running(tmp_path, broker.port, to, "in", *access, files / "collector.password", *SHARED)
    told = reading("bench-1", 7)
    words = [
        "--cafile",
        files / "ca.crt",
        "-u",
        "bench-1",
        "-P",
        (files / "bench-1.password").read_text().strip(),
    ]
    place = ["-h", "127.0.0.1", "-p", str(broker.port), "-V", "5", "-q", "1", "-t", told.topic]
    run(["mosquitto_pub", *place, *words, "-m", told.payload.decode()], check=True)
    held = Collected(to)
    wait_until(lambda: held.count("readings") == 1, 10, "the reading")
    held.close()
    assert one.end() == 0
    broker.end()
