"""`benchward extraction` over databases written second by second; expectations are sums done by hand."""

import csv
import io
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result

from shared.events import Calibrated, StationStarted
from shared.messages import Second
from shared.timeline import Moment
from station.cli.extraction import PAGE
from station.journal.ledger import BootClock, Entry, Ledger, Told

Call = Callable[..., Result]
Lines = Callable[[Result], list[dict[str, Any]]]
MONDAY_MS = round(datetime(2026, 3, 2, tzinfo=UTC).timestamp() * 1000)
WEEK_S = 7 * 86_400


def seconds(boot: str, start: int, count: int, amps: float | None) -> list[Entry]:
    """So many seconds of record in a row; the plate says nothing."""
    return [
        Second(
            boot=boot,
            second=start + n,
            plate_mean_c=None,
            plate_min_c=None,
            plate_max_c=None,
            cold_junction_c=None,
            extraction_a=amps,
            solvent_out=False,
            quality="open-circuit",
            valid_ms=0,
        )
        for n in range(count)
    ]


def told(boot: str, second: int, *channels: str) -> Told:
    """Calibrations of these channels in a second of a boot; without any, the station's start."""
    bodies = tuple(Calibrated(channel=channel, values={"running_a": 0.42}) for channel in channels)
    started = StationStarted(station="bench-1", version="0", sheet="s 1")
    return Told(Moment(boot, second * 1000), bodies or (started,))


def write(path: Path, *parts: Entry | list[Entry]) -> Path:
    """A database of these: boot ``one`` begins on Monday 2026-03-02, ``two`` never learns the time."""
    entries: list[Entry] = [told("one", 0), BootClock("one", MONDAY_MS), told("two", 0)]
    for part in parts:
        entries += part if isinstance(part, list) else [part]
    ledger = Ledger(path)
    try:
        ledger.write(entries)
    finally:
        ledger.close()
    return path


@pytest.fixture(scope="module")
def weeks(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three weeks at 0.40, 0.38 and 0.36 A, an hour at rest, one unread, half an hour undated.

    The plate is calibrated last of all; the extraction at first, and again half an hour into the third week.
    """
    third = 2 * WEEK_S
    return write(
        tmp_path_factory.mktemp("weeks") / "bench.db",
        told("one", 10, "extraction"),
        seconds("one", 0, 3600, 0.40),
        seconds("one", 3600, 3600, 0.01),
        seconds("one", 7200, 3600, None),
        seconds("one", WEEK_S, 1800, 0.38),
        seconds("one", third, 3600, 0.36),
        told("one", third + 1800, "extraction"),
        told("one", third + 3000, "plate"),
        seconds("two", 0, 1800, 0.5),
    )


def test_text_tells_hours_filter_and_drift(benchward: Call, weeks: Path) -> None:
    """1 + 0.5 + 1 + 0.5 h run; half an hour since the newest filter; 0.36 against 0.40 A is -10 %."""
    result = benchward("extraction", "--db", weeks)
    assert (result.exit_code, result.stderr) == (0, "")
    assert result.stdout.splitlines() == [
        "The extractor ran for 3.00 h on record.",
        "0.50 h of it since its last calibration (new filter).",
        "0.50 h were recorded before the clock was known: in no week, and not among the filter's.",
        "1.00 h of record have no current, and are not counted as run.",
        "Current -10.0 % from 2026-W10 (1.0 h) to 2026-W12 (1.0 h).",
        "  2026-W10:     1.00 h, mean 0.400 A",
        "  2026-W11:     0.50 h, mean 0.380 A",
        "  2026-W12:     1.00 h, mean 0.360 A",
        "  undated:     0.50 h, mean 0.500 A",
    ]


def test_json_lines_carry_the_same_figures(benchward: Call, lines: Lines, weeks: Path) -> None:
    """Hours, the filter's and drift are in every line, so that a program need not read the text."""
    found = lines(benchward("extraction", "--db", weeks, "--format", "jsonl"))
    assert [row["week"] for row in found] == ["2026-W10", "2026-W11", "2026-W12", None]
    assert [row["hours"] for row in found] == [1.0, 0.5, 1.0, 0.5]
    assert [row["mean_a"] for row in found] == pytest.approx([0.40, 0.38, 0.36, 0.50])
    assert [row["filter_hours"] for row in found] == [0.0, 0.0, 0.5, None]
    assert [row["drift_percent"] for row in found[:3]] == pytest.approx([0.0, -5.0, -10.0])
    assert found[3]["drift_percent"] is None


def test_csv_has_the_same_rows(benchward: Call, lines: Lines, weeks: Path) -> None:
    """The cells are those of the JSON lines, None left empty."""
    rows = list(csv.DictReader(io.StringIO(benchward("extraction", "--db", weeks, "--format", "csv").stdout)))
    listed = lines(benchward("extraction", "--db", weeks, "--format", "jsonl"))
    assert rows == [
        {key: "" if value is None else str(value) for key, value in row.items()} for row in listed
    ]


def test_the_threshold_is_the_settings(benchward: Call, weeks: Path, tmp_path: Path) -> None:
    """With 0.39 A to prove it, only the first week's hour and the undated half count."""
    file = tmp_path / "settings.toml"
    file.write_text("[limits.extraction]\nproven_a = 0.39\n", "utf-8")
    result = benchward("extraction", "--db", weeks, "--settings", file)
    assert result.stdout.startswith("The extractor ran for 1.50 h")
    assert "2026-W11" not in result.stdout


def test_no_second_is_lost_or_doubled_between_pages(benchward: Call, lines: Lines, tmp_path: Path) -> None:
    """One page and two seconds more, over two boots: every second counts once."""
    db = write(tmp_path / "n.db", seconds("one", 0, PAGE - 1, 0.4), seconds("two", 0, 3, 0.4))
    found = lines(benchward("extraction", "--db", db, "--format", "jsonl"))
    assert [round(row["hours"] * 3600) for row in found] == [PAGE - 1, 3]


def test_a_calibration_without_a_date_is_told_apart_from_none(benchward: Call, tmp_path: Path) -> None:
    """Nobody said when the filter was new; or somebody did, before the clock was known."""
    none = write(tmp_path / "none.db", seconds("one", 0, 60, 0.4))
    undated = write(
        tmp_path / "undated.db",
        told("one", 1, "extraction"),
        told("two", 1, "extraction"),
        seconds("one", 0, 60, 0.4),
    )
    assert "benchward calibrate extraction tells it" in benchward("extraction", "--db", none).stdout
    text = benchward("extraction", "--db", undated).stdout
    assert "No band of running current has been learned" in benchward("extraction", "--db", none).stdout
    assert "No band of running current" not in text
    assert "has no date: the hours since then are not known" in text
    assert "h of it since" not in text


def test_a_current_switch_has_no_hours_and_the_command_says_so(benchward: Call, tmp_path: Path) -> None:
    """Its seconds carry no amperes: no week is made up, and both the note and the record say why."""
    db = write(tmp_path / "n.db", seconds("one", 0, 3600, None))
    file = tmp_path / "settings.toml"
    file.write_text('[wires.extraction]\nkind = "contact"\n', "utf-8")
    result = benchward("extraction", "--db", db, "--settings", file)
    assert result.exit_code == 0
    assert "hours and drift cannot be told for it" in result.stderr
    assert "1.00 h of record have no current" in result.stdout
    listed = benchward("extraction", "--db", db, "--settings", file, "--format", "jsonl")
    assert listed.stdout == ""
    assert "'contact'" in listed.stderr


def test_an_empty_record_is_no_error(benchward: Call, tmp_path: Path) -> None:
    """A station that has just been started ran for no time; the CSV form has its header all the same."""
    db = write(tmp_path / "n.db")
    assert benchward("extraction", "--db", db).stdout.startswith("The extractor ran for 0.00 h on record.")
    result = benchward("extraction", "--db", db, "--format", "csv")
    assert (result.exit_code, result.stdout) == (0, "week,hours,mean_a,filter_hours,drift_percent\n")


def test_a_missing_database_is_wrong_use(benchward: Call, tmp_path: Path) -> None:
    """Contract: exit code 2, and the file by name."""
    result = benchward("extraction", "--db", tmp_path / "none.db")
    assert result.exit_code == 2
    assert "none.db" in result.stderr
