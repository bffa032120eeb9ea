"""Dates: what the events say of a boot's offset to wall time, and that verify holds the offset to it."""

import sqlite3
import threading
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

import pytest
from click.testing import CliRunner

from shared import events
from shared.history import History
from shared.timeline import Moment, rfc3339
from station.cli import main
from station.journal.audit import audit
from station.journal.ledger import BootClock, Entry, Ledger, Told
from station.journal.recording import record_now

WALL_MS = 1_772_440_000_000
STARTED = events.StationStarted(station="s", version="v", sheet="s")
CALIBRATED = events.Calibrated(channel="plate", values={"gain": 1.0, "offset_c": 0.0})


class HeldClock(NamedTuple):
    """A clock that stands."""

    boot: str
    mono: int
    wall: int | None

    def mono_ms(self) -> int:
        """Milliseconds since the boot."""
        return self.mono

    def wall_ms(self) -> int | None:
        """Unix milliseconds, None while not known."""
        return self.wall


def clock_set(boot: str, mono_ms: int, offset_ms: int) -> list[Entry]:
    """What a station writes when it learns the time."""
    told = events.ClockSet(wall=rfc3339(mono_ms + offset_ms) or "")
    return [Told(Moment(boot, mono_ms), (told,))]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A boot whose clock was set twice, one that never had a date, and a replay that was given one."""
    file = tmp_path / "bench.db"
    ledger = Ledger(file)
    ledger.write([
        Told(Moment("trace-1", 0), (STARTED,)), BootClock("trace-1", WALL_MS - 9_000_000),
        Told(Moment("dated", 0), (STARTED,)), *clock_set("dated", 700, WALL_MS),
        *clock_set("dated", 60_001, WALL_MS + 3_600_123),
        Told(Moment("undated", 0), (STARTED,)), Told(Moment("undated", 9), (events.SolventLifted(),)),
    ])  # fmt: skip
    ledger.close()
    return file


def test_verify_is_content_with_the_dates_that_the_station_told(path):
    """The last setting counts; a boot without a date has none, and a replay's is said by nobody."""
    done = CliRunner().invoke(main, ["verify", "--db", str(path)])
    assert (done.exit_code, done.stderr) == (0, "")


def test_event_dates_its_boot_in_the_same_transaction(path):
    """No power cut leaves the one on disk without the other; words that are no time date nothing."""
    ledger = Ledger(path)
    ledger.write([*clock_set("new", 5, WALL_MS), Told(Moment("odd", 5), (events.ClockSet(wall="noon"),))])
    assert (ledger.wall_offset_ms("new"), ledger.wall_offset_ms("odd")) == (WALL_MS, None)
    ledger.close()
    audit(path)


@pytest.mark.parametrize(
    ("boot", "value", "says"),
    [
        ("dated", WALL_MS + 3_600_122, f"event 4 (clock-set, {rfc3339(WALL_MS + 3_660_124)}) says"),
        ("dated", WALL_MS, f"says {WALL_MS + 3_600_123} (its time 0 at {rfc3339(WALL_MS + 3_600_123)})"),
        ("dated", None, "wall_offset_ms is None, event 4"),
        ("dated", 1 << 62, f"wall_offset_ms is {1 << 62}, event 4"),
        ("undated", WALL_MS, f"wall_offset_ms is {WALL_MS}, but no event says that its clock was set"),
    ],
)
def test_verify_names_a_boot_whose_date_is_not_the_one_told(path, boot, value, says):
    """Every `at` of the boot hangs on this one number, which no hash covers."""
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE boots SET wall_offset_ms = ? WHERE boot = ?", (value, boot))
    done = CliRunner().invoke(main, ["verify", "--db", str(path)])
    assert (done.exit_code, done.stdout) == (1, "")
    assert f"boots, boot {boot!r}: wall_offset_ms is {value!r}" in done.stderr
    assert says in done.stderr


def test_event_from_outside_dates_its_boot_in_the_chain(tmp_path):
    """A calibration while no station runs: the date stands in an event, and verify holds it to that."""
    path = tmp_path / "bench.db"
    record_now(path, HeldClock("b", 500, None), CALIBRATED)
    assert record_now(path, HeldClock("b", 1000, WALL_MS), CALIBRATED).seq == 3
    record_now(path, HeldClock("b", 5000, WALL_MS + 4990), CALIBRATED)
    record_now(path, HeldClock("b", 9000, WALL_MS + 70_000), CALIBRATED)
    with History(path) as history:
        told = [(dated.to_dict()["kind"], dated.wall_ms) for dated in history.events()]
    offset_ms = WALL_MS + 61_000
    assert told == [
        ("calibrated", offset_ms + 500),
        ("clock-set", offset_ms + 1000),
        ("calibrated", offset_ms + 1000),
        ("calibrated", offset_ms + 5000),
        ("clock-set", offset_ms + 9000),
        ("calibrated", offset_ms + 9000),
    ]
    audit(path)


@pytest.mark.parametrize(("drift_ms", "found"), [(1000, 0), (-1000, 0), (1001, 1), (-1001, 1)])
def test_calibration_of_an_earlier_version_may_have_moved_the_date_by_a_second(path, drift_ms, found):
    """It wrote the offset of its own moment, and no event of it."""
    ledger = Ledger(path)
    ledger.write([
        Told(Moment("dated", 90_000), (CALIBRATED,)), BootClock("dated", WALL_MS + 3_600_123 + drift_ms),
    ])  # fmt: skip
    ledger.close()
    assert CliRunner().invoke(main, ["verify", "--db", str(path)]).exit_code == found


def test_setting_after_such_a_calibration_is_exact_again(path):
    """The next start of the station told the date anew."""
    ledger = Ledger(path)
    ledger.write([
        Told(Moment("dated", 90_000), (CALIBRATED,)), *clock_set("dated", 95_000, WALL_MS),
        BootClock("dated", WALL_MS + 1),
    ])  # fmt: skip
    ledger.close()
    assert CliRunner().invoke(main, ["verify", "--db", str(path)]).exit_code == 1


def test_verify_of_a_file_that_is_written_compares_a_moment_of_it(path):
    """What the station tells while it is read, with new boots, dates and units, is no contradiction."""
    ledger, stop = Ledger(path), threading.Event()

    def write() -> None:
        number = 0
        while not stop.is_set():
            number += 1
            boot = f"boot-{number}"
            started = Told(Moment(boot, 0), (STARTED, events.UnitBookedIn(unit=f"U-{number}", model="m")))
            ledger.write([started, *clock_set(boot, 5, WALL_MS + number)])

    writer = threading.Thread(target=write)
    writer.start()
    try:
        for _ in range(10):
            audit(path)
    finally:
        stop.set()
        writer.join()
        ledger.close()
    audit(path)
