"""What the record costs, beside plain sqlite3 doing the same in the same run.

A year: BENCHWARD_YEAR_DAYS=365 python -m pytest -q -m benchmark tests/benchmarks/test_record_bench.py
With BENCHWARD_YEAR_FILE as well, a file made before is measured, and one that is not there is made and kept.
"""

import os
import sqlite3
import time
from contextlib import closing
from pathlib import Path

import pytest
from year import DAY_S, START_MS, make_year

from dashboard.app import create_app
from dashboard.board import Board
from dashboard.record import curve_drawing
from dashboard.review_view import period_of
from shared import closed_heat, plate_time
from shared.curve import curve
from shared.database import reading_engine
from shared.history import History
from shared.messages import Second
from station.journal.ledger import Ledger

pytestmark = pytest.mark.benchmark
DAYS = int(os.environ.get("BENCHWARD_YEAR_DAYS", "7"))
UNITS = 5000 * DAYS // 365


@pytest.fixture(scope="module")
def year(tmp_path_factory) -> Path:
    """A database of so many days."""
    named = os.environ.get("BENCHWARD_YEAR_FILE")
    path = Path(named) if named else tmp_path_factory.mktemp("year") / "bench.db"
    if not path.exists():
        make_year(path, DAYS, UNITS)
    return path


def median_s(work, times: int = 15) -> float:
    """The median time of some work, warm."""
    took = []
    for _ in range(times):
        begun = time.perf_counter()
        work()
        took.append(time.perf_counter() - begun)
    return sorted(took)[times // 2]


ROWS = """SELECT second, plate_mean_cc, plate_max_cc, valid_ms FROM readings
          WHERE boot_id = ? AND second BETWEEN ? AND ? ORDER BY second"""


def test_heat_history_beside_its_rows(year, capsys):
    """Selecting a unit's rows by plain sqlite3 is the floor of reading them, and of all that follows."""
    unit = f"U-{UNITS // 2:05d}"

    def floor() -> list:
        with closing(sqlite3.connect(year)) as connection:
            places = connection.execute(
                "SELECT boot_id, placed_ms, removed_ms FROM placements WHERE unit = ?", (unit,)
            ).fetchall()
            return [
                row
                for boot_id, placed_ms, removed_ms in places
                for row in connection.execute(
                    ROWS, (boot_id, placed_ms // 1000, removed_ms // 1000)
                ).fetchall()
            ]

    engine = reading_engine(year)

    def rows() -> int:
        with engine.connect() as connection:
            return sum(len(plate_time.rows(connection, at)) for at in plate_time.intervals(connection, unit))

    def added_up() -> dict:
        with engine.connect() as connection:
            return closed_heat.from_record(connection, unit)

    with History(year) as history:
        floor_s, rows_s, added_s = median_s(floor), median_s(rows), median_s(added_up)
        kept_s = median_s(lambda: history.heat(unit))
        assert history.heat(unit) == added_up()
        assert history.heat(unit)["duration_s"] > 1000
    assert rows() == len(floor())
    engine.dispose()
    with capsys.disabled():
        print(
            f"\na unit's {len(floor())} rows of {DAYS} days: plain sqlite3 {floor_s * 1e3:.2f} ms, as rows "
            f"of record {rows_s / floor_s:.1f} x; heat of an open unit {added_s / floor_s:.1f} x, "
            f"of a closed one {kept_s / floor_s:.2f} x"
        )
    assert kept_s <= 1.5 * floor_s


def test_a_review_shows_its_curve_of_the_whole_in_a_second(year, capsys):
    """What the review draws: read, and drawn as SVG by the server; the points for the zoom beside."""
    end_ms = START_MS + DAYS * DAY_S * 1000
    period = period_of("2026-01-01", "2026-12-31", START_MS, end_ms - DAY_S * 1000)
    client = create_app(Board(), None, year).test_client()

    def drawn() -> None:
        assert curve_drawing(curve(year, period.from_ms, period.to_ms), period) is not None

    def points() -> None:
        assert client.get(f"/curve.json?from={START_MS}&to={end_ms}").status_code == 200

    drawn_s, points_s = median_s(drawn), median_s(points)
    with capsys.disabled():
        print(f"\ncurve of {DAYS} days: drawn {drawn_s * 1e3:.0f} ms, as points {points_s * 1e3:.0f} ms")
    assert max(drawn_s, points_s) < 1.0


def test_charts_through_roll_ups(year, capsys):
    """A day from minutes and the whole from hours, beside a sum over a day of seconds by plain sqlite3."""
    middle_ms = START_MS + DAYS // 2 * DAY_S * 1000

    def floor() -> None:
        with closing(sqlite3.connect(year)) as connection:
            connection.execute(
                "SELECT second / 144, min(plate_min_cc), max(plate_max_cc), avg(plate_mean_cc) FROM readings "
                "WHERE boot_id = ? GROUP BY 1",
                (DAYS // 2 + 1,),
            ).fetchall()

    floor_s = median_s(floor, 5)
    day_s = median_s(lambda: curve(year, middle_ms, middle_ms + DAY_S * 1000))
    whole_s = median_s(lambda: curve(year, START_MS, START_MS + DAYS * DAY_S * 1000))
    assert curve(year, middle_ms, middle_ms + DAY_S * 1000)
    with capsys.disabled():
        print(
            f"\nchart of a day {day_s * 1e3:.1f} ms, of all {DAYS} days {whole_s * 1e3:.1f} ms; "
            f"a day's seconds by plain sqlite3 {floor_s * 1e3:.1f} ms"
        )


def test_insert_rate_beside_plain_sqlite(tmp_path, capsys):
    """Batches of five seconds as the station writes them, each on disk; the floor without roll-ups."""
    batches, size = 200, 5
    row = (1, 0, 2000, 1990, 2010, 2600, 420, 0, 0, 1000)
    ledger = Ledger(tmp_path / "ours.db")

    def second(at: int) -> Second:
        return Second(
            boot="b", second=at, plate_mean_c=20.0, plate_min_c=19.9, plate_max_c=20.1, cold_junction_c=26.0,
            extraction_a=0.42, solvent_out=False, quality="good", valid_ms=1000,
        )  # fmt: skip

    begun = time.perf_counter()
    for batch in range(batches):
        ledger.write([second(batch * size + index) for index in range(size)])
    ours_s = time.perf_counter() - begun
    ledger.close()
    with closing(sqlite3.connect(tmp_path / "floor.db", isolation_level=None)) as floor:
        floor.execute("PRAGMA journal_mode = WAL")
        floor.execute("PRAGMA synchronous = FULL")
        floor.execute("CREATE TABLE r (b, s, a, c, d, e, f, g, h, v, PRIMARY KEY (b, s)) WITHOUT ROWID")
        begun = time.perf_counter()
        for batch in range(batches):
            floor.execute("BEGIN IMMEDIATE")
            rows = [(1, batch * size + index, *row[2:]) for index in range(size)]
            floor.executemany("INSERT INTO r VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", rows)
            floor.execute("COMMIT")
        floor_s = time.perf_counter() - begun
    with History(tmp_path / "ours.db") as history:
        assert history.counts()["readings"] == batches * size
    with capsys.disabled():
        print(
            f"\na batch of five seconds: {ours_s / batches * 1e3:.2f} ms on disk, {ours_s / floor_s:.1f} x "
            f"plain sqlite3; {batches * size / ours_s:.0f} seconds of record a second"
        )


def test_size_on_disk(year, capsys):
    """Everything: readings, events, roll-ups, indexes."""
    with History(year) as history:
        counts = history.counts()
    size = year.stat().st_size
    with closing(sqlite3.connect(year)) as connection:
        readings = (
            connection.execute("SELECT sum(pgsize) FROM dbstat WHERE name = 'readings'").fetchone()[0]
            if _has_dbstat(connection)
            else None
        )
    assert counts["readings"] == DAYS * DAY_S
    with capsys.disabled():
        alone = (
            "" if readings is None else f", {readings / counts['readings']:.1f} bytes of it the readings' own"
        )
        print(f"\n{size / 1e6:.0f} MB for {DAYS} days: {size / counts['readings']:.1f} bytes a second{alone}")


def _has_dbstat(connection: sqlite3.Connection) -> bool:
    try:
        connection.execute("SELECT 1 FROM dbstat LIMIT 1")
    except sqlite3.OperationalError:
        return False
    return True
