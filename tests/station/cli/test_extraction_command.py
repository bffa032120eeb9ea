"""`benchward extraction` over databases written second by second; expectations are sums done by hand."""

import csv
import io
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from shared.events import Calibrated, StationStarted, UnitBookedIn, UnitPlaced, UnitRemoved
from shared.extraction import AirSecond, summary
from shared.history import History
from shared.messages import Second
from shared.timeline import Moment
from station.journal.ledger import BootClock, Entry, Ledger, Told
from station.journal.pruning import prune

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


def test_no_second_is_lost_or_doubled_where_stretches_meet(
    benchward: Call, lines: Lines, tmp_path: Path
) -> None:
    """Over the end of an hour, a day, a week and a boot, some without a current: every second counts once."""
    db = write(
        tmp_path / "n.db",
        seconds("one", 3, 7200, 0.4),
        seconds("one", 86_390, 20, 0.4),
        seconds("one", 86_420, 5, None),
        seconds("one", WEEK_S - 2, 7, 0.4),
        seconds("two", 0, 3, 0.4),
    )
    found = lines(benchward("extraction", "--db", db, "--format", "jsonl"))
    assert [round(row["hours"] * 3600) for row in found] == [7200 + 20 + 2, 5, 3]
    with History(db) as history:
        assert history.extractor_seconds(0.25) == (7200 + 20 + 7 + 3, 5)
        assert history.extractor_seconds(0.25, MONDAY_MS + 3001, MONDAY_MS + 100_000_000) == (7199 + 20, 5)
        assert history.extractor_seconds(0.4) == (7200 + 20 + 7 + 3, 5)
        assert history.extractor_seconds(0.4001) == (0, 5)


@given(
    amps=st.lists(st.none() | st.sampled_from([0.0, 0.249, 0.25, 0.251, 0.42]), min_size=1, max_size=300),
    start=st.integers(0, 90_000),
    offset_ms=st.integers(MONDAY_MS - WEEK_S * 1000, MONDAY_MS),
    filter_after_ms=st.integers(-5000, 300_000),
)
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_sums_of_the_database_are_those_of_its_seconds(
    tmp_path_factory: pytest.TempPathFactory,
    amps: list[float | None],
    start: int,
    offset_ms: int,
    filter_after_ms: int,
) -> None:
    """Whatever ran, wherever hours, weeks and the filter begin: the arithmetic on each second agrees."""
    db = tmp_path_factory.mktemp("air") / "n.db"
    ledger = Ledger(db)
    record = [entry for at, a in enumerate(amps, start) for entry in seconds("b", at, 1, a)]
    ledger.write([told("b", 0), BootClock("b", offset_ms), *record])
    ledger.close()
    since_ms = offset_ms + 1000 * start + filter_after_ms
    plain = [AirSecond(offset_ms + 1000 * at, a) for at, a in enumerate(amps, start)]
    with History(db) as history:
        found = summary(history.air(0.25, since_ms), 0.25, since_ms)
    expected = summary(plain, 0.25, since_ms)
    assert [week._replace(mean_a=0.0, drift_percent=0.0) for week in found["weeks"]] == [
        week._replace(mean_a=0.0, drift_percent=0.0) for week in expected["weeks"]
    ]
    for name in ("hours_run", "hours_since_filter", "hours_without_current", "undated"):
        assert found[name] == expected[name]
    assert [week.mean_a for week in found["weeks"]] == pytest.approx([w.mean_a for w in expected["weeks"]])


def test_progress_is_told_stretch_by_stretch(weeks: Path) -> None:
    """A year is added up for seconds: who watches sees how far it has come."""
    heard: list[tuple[int, int]] = []
    with History(weeks) as history:
        for _ in history.air(0.25, progress=lambda done, whole: heard.append((done, whole))):
            pass
    whole = heard[0][1]
    assert heard == [(done, whole) for done in range(1, whole + 1)]
    assert whole == 16, "the first boot's fourteen days and an hour by the day, and the second's half hour"


HOUR_S = 3600
DAY_S = 86_400


def test_pruning_takes_no_hours_away(benchward: Call, lines: Lines, tmp_path: Path) -> None:
    """Ten hours run over two days, a unit on the plate for part of a minute, the filter new after six.

    Switched on and off in the middle of minutes: 40 s of 60 at 0.42 A are a mean of 0.28 A, and count as a
    whole minute; 20 s are a mean of 0.14 A, and count as none. Two more hours have no current.
    """
    db = write(
        tmp_path / "n.db",
        seconds("one", 0, 6 * HOUR_S, 0.42),
        told("one", 6 * HOUR_S, "extraction"),
        seconds("one", 6 * HOUR_S, 4 * HOUR_S, 0.42),
        seconds("one", 10 * HOUR_S, 20, 0.0),
        seconds("one", 10 * HOUR_S + 20, 40, 0.42),
        seconds("one", 10 * HOUR_S + 60, 20, 0.42),
        seconds("one", 10 * HOUR_S + 80, 40, 0.0),
        seconds("one", 11 * HOUR_S, 2 * HOUR_S, None),
        Told(Moment("one", 14 * HOUR_S * 1000), (UnitBookedIn(unit="U", model="m"), UnitPlaced(unit="U"))),
        Told(Moment("one", 14 * HOUR_S * 1000 + 29_500), (UnitRemoved(unit="U"),)),
        seconds("one", 14 * HOUR_S, 60, 0.42),
        seconds("one", 3 * DAY_S, HOUR_S, 0.42),
    )
    before = lines(benchward("extraction", "--db", db, "--format", "jsonl"))
    with History(db) as history:
        assert history.extractor_seconds(0.25) == (11 * HOUR_S + 120, 2 * HOUR_S)
        assert not history.is_thinned()
    assert prune(db, MONDAY_MS + 4 * DAY_S * 1000, 1).gone == 12 * HOUR_S + 120 + 30
    after = lines(benchward("extraction", "--db", db, "--format", "jsonl"))
    assert [row["week"] for row in after] == [row["week"] for row in before]
    assert after[0]["hours"] == pytest.approx(before[0]["hours"], abs=1e-9)
    assert after[0]["filter_hours"] == pytest.approx(5 + 120 / HOUR_S)
    assert after[0]["mean_a"] == pytest.approx(0.42, abs=0.001)
    with History(db) as history:
        assert history.is_thinned()
        assert history.extractor_seconds(0.25) == (11 * HOUR_S + 120, 2 * HOUR_S)
        day = (MONDAY_MS, MONDAY_MS + DAY_S * 1000)
        assert history.extractor_seconds(0.25, *day) == (10 * HOUR_S + 120, 2 * HOUR_S)
        assert history.extractor_seconds(0.25, MONDAY_MS + 30_000, MONDAY_MS + 120_000) == (60, 0)
    text = benchward("extraction", "--db", db).stdout
    assert text.startswith(
        "The extractor ran for 11.03 h on record.\n5.03 h of it since its last calibration"
    )
    assert "2.00 h of record have no current" in text
    assert "each start and stop of the fan may be off by up to a minute" in text
    assert (
        "Old seconds were pruned: there a minute counts as run when its mean current is at least 0.25 A"
        in text
    )


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
