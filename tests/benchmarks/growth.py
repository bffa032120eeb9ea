"""Growth: what things cost with a month, a year, ten years of record, and with 1, 50, 500 stations.

    python tests/benchmarks/growth.py [--days 30 365 3650] [--stations 1 50 500] [--records DIR] [--json FILE]

Each figure stands beside a floor that is taken in turn with it in the same run: the plainest program that
does the least of the same (plain sqlite3 selecting the same rows, a file copied, an empty record, the
cheapest page, a bare client). Medians of both; ratios carry over to other machines, milliseconds do not.

Records are made as `tests/support/year.py` makes them, 410 units a month with every second on record. From
ten years on they are thinned, as `benchward prune` leaves a record: five units a day, seconds only while one
is on the plate. With --records they are kept there, and made only where they are missing.
"""

import argparse
import os
import shutil
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager, suppress
from pathlib import Path
from typing import Any, NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

import msgspec
from campaign import keep, quantile, table
from collecting import Collected as Held
from collecting import Publisher, Running, reading
from footprint import cpu_s, memory_mb
from live import Broker, Listener, Station, wait_until
from pages import Pages, status
from postgres import postgres_here
from year import DAY_S, START_MS, make_year

from dashboard.chain_seen import SeenChain
from dashboard.collected import Collected
from dashboard.collector.follow import IN_FLIGHT
from dashboard.collector.rows import Row, row_of
from dashboard.collector.rows import Told as Message
from dashboard.collector.store import Store, dialect_of
from dashboard.review_view import period_of, review
from shared import events
from shared.curve import curve
from shared.history import History
from shared.messages import Second, StationState, encode, topic
from shared.readings import Reading
from shared.sheet import default_sheet
from shared.stored import Filter, Place
from shared.timeline import Moment, rfc3339
from station.bootstrap import SimulatedWiring
from station.clock import FreshClock
from station.journal.backup import back_up
from station.journal.ledger import Ledger, Told
from station.link import pages as link_pages
from station.rules.decide import decide
from station.rules.state import State
from station.rules.tick import Book
from station.settings import Settings
from station.simulation.bench import SimulatedBench

THINNED_FROM_DAYS = 3650
A_YEARS_UNITS, A_THINNED_DAYS_UNITS = 5000, 5
CLIENTS, REQUESTS = 4, 25
MESSAGES = 20_000
NOW_S = 1_772_440_000
BOOT = "0f0e0d0c-{:04d}-4a00-8000-0123456789ab"
START_UP = """
import sys, time
from pathlib import Path
sys.path.insert(0, sys.argv[2])
from footprint import memory_mb
from shared.sheet import default_sheet
from station.bootstrap import simulated_station
from station.rules.tick import Book
from station.settings import JournalSettings, Settings
import os
settings = Settings(journal=JournalSettings(path=sys.argv[1]))
station, _, _ = simulated_station(settings, Book(settings.limits, default_sheet()), linked=False)
with station:
    station.daemon.tick()
    print(memory_mb(os.getpid()), flush=True)
"""


class Figure(NamedTuple):
    """A figure of ours beside its floor, in one unit; ``at`` says with how much, such as ``365 days``.

    A floor of 1 that is nothing is none.
    """

    what: str
    at: str
    ours: float
    floor: float
    unit: str
    floor_is: str

    @property
    def ratio(self) -> float:
        """How many times the floor."""
        return self.ours / self.floor


def took_s(work: Callable[[], object]) -> float:
    """How long some work takes."""
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def beside(
    what: str,
    at: str,
    floor_is: str,
    ours: Callable[[], object],
    floor: Callable[[], object],
    times: int = 11,
) -> Figure:
    """Medians in milliseconds of ours and of its floor, taken in turn, warm."""
    ours(), floor()
    pairs = [(took_s(ours), took_s(floor)) for _ in range(times)]
    ours_ms, floor_ms = (1000 * statistics.median(side) for side in zip(*pairs, strict=True))
    return Figure(what, at, ours_ms, floor_ms, "ms", floor_is)


# A tick


class StillClock(FreshClock):
    """A clock that goes on when told."""

    def __init__(self) -> None:
        super().__init__()
        self.at_ms = 0

    def mono_s(self) -> float:
        """Seconds."""
        return self.at_ms / 1000

    def mono_ms(self) -> int:
        """Milliseconds."""
        return self.at_ms


def tick_figures(ticks: int = 3000) -> list[Figure]:
    """A tick beside its wires alone, and the rules beside the reading made JSON."""
    clock, settings = StillClock(), Settings()
    plant = SimulatedBench(settings.wires, 1, clock=time.monotonic)
    wiring, book, state = SimulatedWiring(plant, clock), Book(settings.limits, default_sheet()), State()
    whole, wires, rules, made_json = [], [], [], []
    with plant.bench:
        plant.fan.start()
        for _ in range(ticks):
            clock.at_ms += 100
            begun = time.perf_counter()
            plate, extraction, out = wiring.read()
            read = time.perf_counter()
            now_read = Reading(plate=plate, extraction=extraction, solvent_out=out)
            state, decision = decide(book, state, now_read, [], Moment("b", clock.at_ms))
            decided = time.perf_counter()
            wiring.write(decision.levels)
            written = time.perf_counter()
            msgspec.json.encode(now_read)
            encoded = time.perf_counter()
            whole.append(written - begun)
            wires.append((read - begun) + (written - decided))
            rules.append(decided - read)
            made_json.append(encoded - written)
    us = [1e6 * statistics.median(each) for each in (whole, wires, rules, made_json)]
    return [
        Figure(
            "a tick, wires to outputs", "", us[0], us[1], "µs", "its wires read and driven, without rules"
        ),
        Figure("decide", "", us[2], us[3], "µs", "the reading made JSON"),
    ]


# By record


class Record:
    """A record of so many days, and the plainest way to ask it."""

    def __init__(self, path: Path, days: int) -> None:
        self.path, self.days, self.at = path, days, f"{days:,} days"
        self._plain = sqlite3.connect(path, isolation_level=None)
        (count,) = self._plain.execute("SELECT count(*) FROM units").fetchone()
        self.unit = f"U-{count // 2:05d}"
        self.middle_ms = START_MS + days // 2 * DAY_S * 1000

    def plain(self, query: str, *values: object) -> Callable[[], list]:
        """What selects by plain sqlite3."""
        return lambda: self._plain.execute(query, values).fetchall()

    def close(self) -> None:
        """Let go of it."""
        self._plain.close()


def made_records(folder: Path, days: Sequence[int]) -> Iterator[Record]:
    """The records, one after another, made where they are missing."""
    for count in days:
        path = folder / f"{count}.db"
        if not path.exists():
            thinned = count >= THINNED_FROM_DAYS
            units = count * A_THINNED_DAYS_UNITS if thinned else A_YEARS_UNITS * count // 365
            making = path.with_suffix(".making")
            making.unlink(missing_ok=True)
            make_year(making, count, units, thinned=thinned)
            making.rename(path)
        record = Record(path, count)
        yield record
        record.close()


HEAT_ROWS = """SELECT r.second, r.plate_mean_cc, r.plate_max_cc, r.valid_ms FROM placements p JOIN readings r
               ON r.boot_id = p.boot_id AND r.second BETWEEN p.placed_ms / 1000 AND p.removed_ms / 1000
               WHERE p.unit = ?"""
EVENT_ROWS = "SELECT e.*, b.boot FROM events e JOIN boots b ON b.id = e.boot_id WHERE {} ORDER BY seq"


class Question(NamedTuple):
    """Something a record is asked, the plainest program that reads as much, how often to time them."""

    what: str
    floor_is: str
    ours: Callable[[], object]
    floor: Callable[[], object]
    times: int = 11


def questions(record: Record, history: History) -> list[Question]:
    """What people and programs ask a record, each beside its rows selected by plain sqlite3."""
    unit, plain, rows = record.unit, record.plain, "its rows by plain sqlite3"
    (newest,) = plain("SELECT max(seq) FROM events")()[0]
    boot, middle_ms = record.days // 2 + 1, record.middle_ms
    day = period_of("", "", middle_ms, middle_ms)
    known = SeenChain()
    end_ms = START_MS + record.days * DAY_S * 1000
    backlog = link_pages.readings(history, "bench-1")
    of_unit, every_event = plain(EVENT_ROWS.format("e.unit = ?"), unit), plain(EVENT_ROWS.format("1"))
    return [
        Question("a closed unit's heat", rows, lambda: history.heat(unit), plain(HEAT_ROWS, unit)),
        Question("a unit's whole record", rows, lambda: history.unit_record(unit), plain(HEAT_ROWS, unit)),
        Question("a unit's events", rows, lambda: list(history.told(Filter(unit=unit))), of_unit),
        Question(
            "the newest 100 events",
            rows,
            lambda: history.event_page(newest - 100, 100),
            plain(EVENT_ROWS.format("e.seq > ?"), newest - 100),
        ),
        Question(
            "all units",
            "units and steps by plain sqlite3",
            history.units,
            lambda: (plain("SELECT * FROM units")(), plain("SELECT * FROM steps")()),
            3,
        ),
        Question(
            "a chart of a day",
            "its minutes by plain sqlite3",
            lambda: curve(record.path, middle_ms, middle_ms + DAY_S * 1000),
            plain("SELECT * FROM minutes WHERE boot_id = ?", boot),
        ),
        Question(
            "a chart of all",
            "all hours by plain sqlite3",
            lambda: curve(record.path, START_MS, end_ms),
            plain("SELECT * FROM hours"),
            3,
        ),
        Question(
            "the first safety review, of a day",
            "all events by plain sqlite3",
            lambda: review(history, day, ["solder"], SeenChain()),
            every_event,
            1,
        ),
        Question(
            "a later safety review of a day",
            "all events by plain sqlite3",
            lambda: review(history, day, ["solder"], known),
            every_event,
            3,
        ),
        Question("verify", "all events by plain sqlite3", history.verify, every_event, 1),
        Question(
            "1,000 readings of a backlog, made messages",
            rows,
            lambda: backlog(Place(boot, 600), 1000),
            plain(
                "SELECT r.*, b.boot, b.wall_offset_ms FROM readings r JOIN boots b ON b.id = r.boot_id "
                "WHERE (r.boot_id, r.second) > (?, 600) ORDER BY r.boot_id, r.second LIMIT 1000",
                boot,
            ),
        ),
    ]


def query_figures(record: Record) -> list[Figure]:
    """All questions to a record."""
    with History(record.path) as history:
        return [
            beside(asked.what, record.at, asked.floor_is, asked.ours, asked.floor, asked.times)
            for asked in questions(record, history)
        ]


def second_at(at: int) -> Second:
    """A second of record."""
    return Second(
        boot="growth",
        second=at,
        plate_mean_c=20.0,
        plate_min_c=19.9,
        plate_max_c=20.1,
        cold_junction_c=26.0,
        extraction_a=0.42,
        solvent_out=False,
        quality="good",
        valid_ms=1000,
    )


def writing_figures(record: Record, folder: Path) -> list[Figure]:
    """Five seconds and one event on disk, beside plain sqlite3 in a small file with the same durability."""
    ledger = Ledger(record.path)
    start = 1 + max(
        (second for (second,) in record.plain(
            "SELECT r.second FROM readings r JOIN boots b ON b.id = r.boot_id WHERE b.boot = 'growth' "
            "ORDER BY r.second DESC LIMIT 1")()),
        default=-1,
    )  # fmt: skip
    at = iter(range(start, start + 10_000_000))
    floor = sqlite3.connect(folder / f"floor-{record.days}.db", isolation_level=None)
    for statement in (
        "PRAGMA journal_mode = WAL",
        "PRAGMA synchronous = FULL",
        "CREATE TABLE r (b, s, a, c, d, e, f, g, h, v, PRIMARY KEY (b, s)) WITHOUT ROWID",
        "CREATE TABLE e (seq INTEGER PRIMARY KEY, boot, ms, kind, unit, body, prev, hash)",
    ):
        floor.execute(statement)

    def plain(statement: str, rows: list[tuple]) -> None:
        floor.execute("BEGIN IMMEDIATE")
        floor.executemany(statement, rows)
        floor.execute("COMMIT")

    def five() -> None:
        plain(
            "INSERT INTO r VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [(1, next(at), 2000, 1990, 2010, 2600, 420, 0, 0, 1000) for _ in range(5)],
        )

    def one() -> None:
        body = '{"kind":"signed-in","technician":"T-1"}'
        plain(
            "INSERT INTO e (boot, ms, kind, unit, body, prev, hash) VALUES (?, ?, ?, ?, ?, ?, ?)",
            [(1, 1, "signed-in", None, body, "0" * 64, "1" * 64)],
        )

    try:
        return [
            beside(
                "five seconds on disk, with roll-ups",
                record.at,
                "plain sqlite3 without roll-ups",
                lambda: ledger.write([second_at(next(at)) for _ in range(5)]),
                five,
                101,
            ),
            beside(
                "an event on disk",
                record.at,
                "plain sqlite3",
                lambda: ledger.write(
                    [Told(Moment("growth", next(at) * 1000), (events.SignedIn(technician="T-1"),))]
                ),
                one,
                101,
            ),
        ]
    finally:
        ledger.close()
        floor.close()


def started(path: Path) -> tuple[float, float]:
    """Seconds until a station on this record has ticked once, the interpreter's start included; its MB."""
    support = Path(__file__).resolve().parents[1] / "support"
    begun = time.perf_counter()
    with subprocess.Popen(
        [sys.executable, "-c", START_UP, path, support], stdout=subprocess.PIPE, text=True
    ) as station:
        assert station.stdout is not None
        line = station.stdout.readline()
        after_s = time.perf_counter() - begun
    if station.returncode:
        raise RuntimeError(f"a station on {path} ended with {station.returncode}")
    return after_s, float(line)


def start_figures(record: Record, folder: Path) -> list[Figure]:
    """A start, and the memory after the first tick, beside the same on an empty record."""
    runs = []
    for number in range(3):
        runs.append((*started(record.path), *started(folder / f"empty-{record.days}-{number}.db")))
    ours_s, ours_mb, floor_s, floor_mb = (statistics.median(column) for column in zip(*runs, strict=True))
    empty = "on an empty record"
    return [
        Figure("start to first tick", record.at, 1000 * ours_s, 1000 * floor_s, "ms", empty),
        Figure("the station's memory", record.at, ours_mb, floor_mb, "MB", empty),
    ]


def backup_figure(record: Record, folder: Path) -> Figure:
    """A backup, read back whole, beside the file copied and on disk."""

    def copied() -> None:
        with record.path.open("rb") as source, (folder / "copy.db").open("wb") as copy:
            shutil.copyfileobj(source, copy, 1 << 20)
            os.fsync(copy.fileno())

    copy_s = took_s(copied)
    backup_s = took_s(lambda: back_up(record.path, folder / "backup.db"))
    for name in ("copy.db", "backup.db"):
        (folder / name).unlink()
    return Figure("a backup, verified", record.at, 1000 * backup_s, 1000 * copy_s, "ms", "the file copied")


def fetched(port: int, path: str) -> list[float]:
    """Seconds of each fetch of a page by several clients at once."""
    found: list[float] = []
    failed: list[int] = []

    def client() -> None:
        for _ in range(REQUESTS):
            begun = time.perf_counter()
            answer = status(port, path)
            found.append(time.perf_counter() - begun)
            if answer not in (200, 503):  # the health page says 503 without a station
                failed.append(answer)

    clients = [threading.Thread(target=client) for _ in range(CLIENTS)]
    for each in clients:
        each.start()
    for each in clients:
        each.join()
    if failed:
        raise RuntimeError(f"{path} answered {failed[0]}")
    return found


def page_figures(record: Record, folder: Path, broker: Broker) -> list[Figure]:
    """Pages from the record for four clients at once, beside the cheapest page for as many."""
    figures = []
    pages = Pages(folder, broker.port, "--db", str(record.path))
    try:
        for what, path in (("the page of units", "/units"), ("a unit's page", f"/units/{record.unit}")):
            floor, ours = fetched(pages.port, "/healthz"), fetched(pages.port, path)
            for name, at in (("median", 0.5), ("p99", 0.99)):
                pair = (1000 * quantile(ours, at), 1000 * quantile(floor, at))
                figures.append(Figure(f"{what}, 4 clients, {name}", record.at, *pair, "ms", "/healthz"))
        figures.append(Figure("the pages' memory", record.at, memory_mb(pages.process.pid), 1, "MB", ""))
    finally:
        pages.end()
    return figures


# By stations


def messages(stations: int, first_s: int = 0) -> list[Message]:
    """So many readings, spread over the stations, second by second."""
    return [
        reading(f"bench-{n}", at, 1000 * (NOW_S + at), BOOT.format(n))
        for at in range(first_s, first_s + MESSAGES // stations)
        for n in range(stations)
    ]


@contextmanager
def postgres() -> Iterator[str | None]:
    """The URL of a PostgreSQL of our own; None where there is none."""
    with ExitStack() as parts:
        url = None
        with suppress(BaseException):  # pytest's skip is no Exception
            server = postgres_here()
            server.start()
            parts.callback(server.remove)
            url = server.url
        yield url


def _sql_type(value: object) -> str:
    """Of a column that holds such values."""
    kinds: dict[type, str] = {bool: "boolean", int: "bigint", str: "text"}
    return kinds.get(type(value), "double precision")


def writing_stations(stations: int, url: str, kind: str) -> Figure:
    """Windows of readings into the collected database, beside plain SQL with the same rows."""
    told = messages(stations)
    rows = [row_of(each) for each in told]
    store = Store(url, clock=lambda: NOW_S)
    plain = [(n % stations, n // stations, *row.values) for n, row in enumerate(rows) if isinstance(row, Row)]
    engine = dialect_of(url)[0].engine(dialect_of(url)[1])
    with closing(engine.raw_connection()) as bare:
        cursor = bare.cursor()
        cursor.execute("DROP TABLE IF EXISTS bare")
        columns = ", ".join(f"c{n} {_sql_type(value)}" for n, value in enumerate(plain[0]))
        cursor.execute(f"CREATE TABLE bare ({columns}, PRIMARY KEY (c0, c1))")
        bare.commit()
        places = ", ".join("?" * len(plain[0]))

        def floor() -> None:
            if kind == "SQLite":
                cursor.executemany(f"INSERT INTO bare VALUES ({places})", plain)
            else:
                with cursor.copy("COPY bare FROM STDIN") as copy:
                    for each in plain:
                        copy.write_row(each)
            bare.commit()

        floor_s = took_s(floor)

        def ours() -> None:
            for start in range(0, len(rows), IN_FLIGHT):
                store.write(rows[start : start + IN_FLIGHT])

        ours_s = took_s(ours)
    store.close()
    engine.dispose()
    per = 1e6 / len(rows)
    floor_is = "plain INSERT" if kind == "SQLite" else "COPY alone"
    return Figure(
        f"a reading into {kind}", f"{stations} stations", per * ours_s, per * floor_s, "µs", floor_is
    )


def collector_figures(stations: int, folder: Path, broker: Broker) -> list[Figure]:
    """A backlog through the broker into SQLite by the collector, beside a bare client that counts."""
    at, name = f"{stations} stations", f"collector-{stations}"
    url = f"sqlite:///{folder / name}.db"
    Running(folder, broker.port, url, name).end()  # from now on the broker keeps what comes for it
    listener = Listener(broker.port, "benchward/v1/+/readings")
    publisher = Publisher(broker.port)
    told = messages(stations)
    begun = time.perf_counter()
    publisher.publish(told)
    wait_until(lambda: len(listener.heard) >= len(told), 120, "the bare client")
    floor_s = time.perf_counter() - begun
    listener.close()
    wait_until(publisher.landed, 60, "the broker's word")
    publisher.close()
    held, begun = Held(url), time.perf_counter()
    running = Running(folder, broker.port, url, name)
    wait_until(lambda: held.count("readings") == len(told), 300, "the backlog in the database")
    ours_s = time.perf_counter() - begun
    memory, used_s = memory_mb(running.process.pid), cpu_s(running.process.pid)
    running.end()
    held.close()
    per = 1e6 / len(told)
    bare = "published to a bare client"
    collected = Collected(url)
    try:
        with closing(sqlite3.connect(folder / f"{name}.db")) as plain:
            figures = [
                beside(
                    "when every station was last seen",
                    at,
                    "newest boots by plain sqlite3",
                    collected.last_seen,
                    lambda: plain.execute("SELECT station, max(zero_s) FROM boots GROUP BY 1").fetchall(),
                ),
            ]
    finally:
        collected.close()
    return [
        Figure("a reading, broker to disk, start included", at, per * ours_s, per * floor_s, "µs", bare),
        Figure("the collector's processor time a reading, start included", at, per * used_s, 1, "µs", ""),
        Figure("the collector's memory", at, memory, 1, "MB", ""),
        *figures,
    ]


def a_state(folder: Path, broker: Broker) -> StationState:
    """What a station at rest shows."""
    listener = Listener(broker.port, "benchward/v1/bench-1/state")
    station = Station(folder, broker.port)
    station.start()
    try:
        wait_until(lambda: listener.heard, 30, "a state")
        return msgspec.json.decode(listener.heard[-1].payload, type=StationState)
    finally:
        station.end()
        listener.close()


def board_figures(stations: int, folder: Path, broker: Broker, state: StationState) -> list[Figure]:
    """Every station's state once a second for ten seconds, and the page of all stations meanwhile."""
    at = f"{stations} stations"
    pages = Pages(folder, broker.port)
    publisher = Publisher(broker.port)

    def say(second: int) -> None:
        publisher.publish(
            [
                Message(
                    topic(f"bench-{n}", "state"),
                    encode(
                        msgspec.structs.replace(
                            state,
                            station=f"bench-{n}",
                            mono_s=state.mono_s + second,
                            at=rfc3339(1000 * (NOW_S + second)),
                        )
                    ),
                )
                for n in range(stations)
            ]
        )

    try:
        say(0)
        wait_until(publisher.landed, 30, "the broker's word")
        floor, ours = fetched(pages.port, "/healthz"), fetched(pages.port, "/stations")
        used_s, begun = cpu_s(pages.process.pid), time.monotonic()
        for second in range(1, 11):
            say(second)
            time.sleep(max(0.0, begun + second - time.monotonic()))
        share = 100 * (cpu_s(pages.process.pid) - used_s) / (time.monotonic() - begun)
        memory = memory_mb(pages.process.pid)
    finally:
        publisher.close()
        pages.end()
    pair = (1000 * quantile(ours, 0.5), 1000 * quantile(floor, 0.5))
    return [
        Figure("the page of all stations, 4 clients, median", at, *pair, "ms", "/healthz"),
        Figure("following all states, each once a second", at, share, 1, "% of a core", ""),
        Figure("the pages' memory, all live", at, memory, 1, "MB", ""),
    ]


def shown(figures: Sequence[Figure]) -> str:
    """A row a figure, a column for each of what it was taken with."""
    columns = list(dict.fromkeys(figure.at for figure in figures))
    rows: list[Sequence[Any]] = [("what", *(column or "figure" for column in columns), "times what")]
    for what in dict.fromkeys(figure.what for figure in figures):
        of_it = {figure.at: figure for figure in figures if figure.what == what}
        some = next(iter(of_it.values()))
        alone = not some.floor_is
        cells = [
            "" if at not in of_it
            else f"{of_it[at].ours:.3g} {some.unit}" + ("" if alone else f", {of_it[at].ratio:.1f} ×")
            for at in columns
        ]  # fmt: skip
        rows.append((what, *cells, "" if alone else some.floor_is))
    return table(rows)


def run(days: Sequence[int], stations: Sequence[int], records: Path, folder: Path) -> list[list[Figure]]:
    """All figures, by what they grow with; each part is printed as soon as it is there."""
    folder.chmod(0o777)
    broker = Broker(folder)
    broker.start()
    parts = [tick_figures()]
    print(shown(parts[0]), end="\n\n", flush=True)
    try:
        by_record: list[Figure] = []
        for record in made_records(records, days):
            by_record += start_figures(record, folder)
            by_record += query_figures(record)
            by_record += writing_figures(record, folder)
            by_record += page_figures(record, folder, broker)
            by_record.append(backup_figure(record, folder))
        print(shown(by_record), end="\n\n", flush=True)
        by_stations: list[Figure] = []
        state = a_state(folder, broker)
        with postgres() as url:
            for count in stations:
                by_stations.append(
                    writing_stations(count, f"sqlite:///{folder / f'store-{count}.db'}", "SQLite")
                )
                if url is not None:
                    by_stations.append(writing_stations(count, url, "PostgreSQL"))
                by_stations += collector_figures(count, folder, broker)
                by_stations += board_figures(count, folder, broker, state)
        print(shown(by_stations), flush=True)
    finally:
        broker.end()
    return [*parts, by_record, by_stations]


def main() -> None:
    """Take all figures, print them and keep them."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--days", type=int, nargs="+", default=[30, 365, 3650])
    parser.add_argument("--stations", type=int, nargs="+", default=[1, 50, 500])
    parser.add_argument("--records", type=Path, metavar="DIR", help="keep the records here")
    parser.add_argument("--json", type=Path, metavar="FILE", help="keep the figures here")
    told = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="benchward-growth-", ignore_cleanup_errors=True) as name:
        records = told.records or Path(name)
        records.mkdir(parents=True, exist_ok=True)
        load = os.getloadavg()[0]
        tick, by_record, by_stations = run(told.days, told.stations, records, Path(name))
    figures = {
        part: [{**figure._asdict(), "ratio": figure.ratio} for figure in found]
        for part, found in (("tick", tick), ("by_record", by_record), ("by_stations", by_stations))
    }
    print(keep("growth", {"load_before": load, "load_after": os.getloadavg()[0], **figures}, told.json))


if __name__ == "__main__":
    main()
