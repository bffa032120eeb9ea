"""`benchward replay`: events on stdout, a database on request, and nothing at all for a bad trace."""

import os
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result

from shared import events
from shared.chain import ZERO, verify
from shared.records import SCHEMA_VERSION
from shared.timeline import Moment
from station.journal.ledger import Ledger, Told

HEADER = "t_s,plate_frame,extraction_a,solvent_out,request\n"
Call = Callable[..., Result]
Lines = Callable[[Result], list[dict[str, Any]]]


@pytest.fixture
def short(tmp_path: Path) -> Path:
    """Ten seconds of a cold, quiet bench at which somebody books a unit in."""
    path = tmp_path / "short.csv"
    ticks = [f"{tick / 10},01601800,0.4,0," for tick in range(100)]
    ticks[20] += "sign-in technician=T-1"
    ticks[21] += "book-in unit=DP-1 model=m"
    ticks[22] += '"book-in unit=DP-2"'
    path.write_text(HEADER + "\n".join(ticks) + "\n", "utf-8")
    return path


def test_replay_prints_a_whole_chain_when_it_runs_a_trace(benchward: Call, lines: Lines, short: Path) -> None:
    """The events are chained from the first, begin with the start and end with the trace's end."""
    printed = lines(benchward("replay", short))
    assert verify(printed).problem is None
    assert (printed[0]["kind"], printed[0]["prev"], printed[0]["seq"]) == ("station-started", ZERO, 1)
    assert (printed[-1]["kind"], printed[-1]["lines"]) == ("trace-finished", 100)
    assert [event["mono_s"] for event in printed] == sorted(event["mono_s"] for event in printed)


def test_replay_records_a_refusal_when_a_request_cannot_be_read(
    benchward: Call, lines: Lines, short: Path
) -> None:
    """A malformed request is not a malformed line: it is refused and told like any other."""
    refused = [event for event in lines(benchward("replay", short)) if event["kind"] == "request-refused"]
    assert [(event["request"], event["reasons"]) for event in refused] == [
        ("book-in unit=DP-2", ["malformed-request"])
    ]


@pytest.mark.parametrize("name", ["fan-dies", "open-thermocouple"])
def test_replay_prints_the_same_bytes_when_run_again(benchward: Call, traces: Path, name: str) -> None:
    """The same trace gives the same bytes, twice in one process."""
    first, second = (benchward("replay", traces / f"{name}.csv") for _ in range(2))
    assert first.exit_code == 0
    assert first.stdout_bytes == second.stdout_bytes
    assert len(first.stdout_bytes) > 1000


def test_replay_prints_the_same_bytes_when_run_by_another_process(
    benchward: Call, traces: Path, tmp_path: Path
) -> None:
    """Neither the process, its hash seed, its locale nor its working folder shows in the output."""
    program = Path(sys.executable).with_name("benchward")
    outputs = [
        subprocess.run(
            [program, "replay", traces / "fan-dies.csv"],
            cwd=tmp_path,
            env={**os.environ, "PYTHONHASHSEED": seed, "TZ": zone},
            capture_output=True,
            check=True,
        ).stdout
        for seed, zone in (("1", "UTC"), ("2", "Pacific/Auckland"))
    ]
    assert outputs == 2 * [benchward("replay", traces / "fan-dies.csv").stdout_bytes]


def test_replay_prints_the_same_events_when_it_journals_them(
    benchward: Call, traces: Path, tmp_path: Path
) -> None:
    """With a new database the output is byte for byte that without one."""
    trace = traces / "fan-dies.csv"
    plain, stored = benchward("replay", trace), benchward("replay", trace, "--db", tmp_path / "n.db")
    assert (stored.exit_code, stored.stdout_bytes) == (0, plain.stdout_bytes)


def test_replay_dates_events_only_when_told_the_start(benchward: Call, lines: Lines, short: Path) -> None:
    """Without --start every `at` is null; with it each is the start plus the event's own seconds."""
    undated = lines(benchward("replay", short))
    dated = lines(benchward("replay", short, "--start", "2026-03-02T09:30:00+01:00"))
    assert {event["at"] for event in undated} == {None}
    assert (dated[0]["at"], dated[1]["at"]) == ("2026-03-02T08:30:00.000Z", "2026-03-02T08:30:02.000Z")
    assert [event["hash"] for event in undated] == [event["hash"] for event in dated]


def test_replay_keeps_the_chain_whole_when_three_traces_share_a_database(
    benchward: Call, recorded: Path
) -> None:
    """Numbers and hashes go on from trace to trace."""
    result = benchward("verify", "--db", recorded)
    assert (result.exit_code, result.stderr) == (0, "")
    assert "unbroken" in result.stdout


def test_replay_gets_a_boot_of_its_own_when_the_same_trace_comes_again(
    benchward: Call, lines: Lines, short: Path, tmp_path: Path
) -> None:
    """The same trace twice in one database is two boots, and nothing is overwritten."""
    db = tmp_path / "n.db"
    first, second = (lines(benchward("replay", short, "--db", db)) for _ in range(2))
    assert {event["boot"] for event in second} == {first[0]["boot"] + "-2"}
    assert second[0]["prev"] == first[-1]["hash"]
    assert second[0]["seq"] == len(first) + 1


def test_replay_takes_the_sheet_named_when_there_is_one(
    benchward: Call, lines: Lines, short: Path, tmp_path: Path
) -> None:
    """--sheet wins over the settings' sheet, which wins over the default."""
    sheets = [tmp_path / f"{name}.toml" for name in ("one", "two")]
    for sheet in sheets:
        sheet.write_text(
            f'name = "{sheet.stem}"\nversion = "1"\n[[step]]\nkey = "a"\ntitle = "t"\nkind = "other"\n',
            "utf-8",
        )
    settings = tmp_path / "bench.toml"
    settings.write_text(f'[station]\nsheet = "{sheets[0]}"\n', "utf-8")
    told = [
        lines(benchward("replay", short, *words))[0]["sheet"]
        for words in ((), ("--settings", settings), ("--settings", settings, "--sheet", sheets[1]))
    ]
    assert told == ["glass-and-touch 1", "one 1", "two 1"]


BAD = {
    "wrong header": ("t,frame\n", ["line 1", "'t,frame'", "t_s,plate_frame"]),
    "missing column": (HEADER.replace("request", ""), ["line 1", "request"]),
    "falling time": (HEADER + "1.0,,,,\n0.9,,,,\n", ["line 3", "column t_s", "'0.9'", "1 s"]),
    "bad hex": (HEADER + "1.0,0160180Z,,,\n", ["line 2", "column plate_frame", "'0160180Z'", "8 hex digits"]),
    "no number": (HEADER + "1.0,,nan,,\n", ["line 2", "column extraction_a", "'nan'", "finite number"]),
    "negative current": (HEADER + "1.0,,-0.1,,\n", ["line 2", "column extraction_a", "'-0.1'", "0 or more"]),
    "flag two": (HEADER + "1.0,,,2,\n", ["line 2", "column solvent_out", "'2'", "0, 1 or empty"]),
    "late in the file": (
        HEADER + "".join(f"{at},,,,\n" for at in range(500)) + "x,,,,\n",
        ["line 502", "'x'"],
    ),
    "empty": ("", ["empty", "t_s,plate_frame"]),
}


@pytest.mark.parametrize("existing", [False, True])
@pytest.mark.parametrize(("text", "parts"), BAD.values(), ids=BAD.keys())
def test_replay_touches_nothing_when_the_trace_is_malformed(
    benchward: Call, short: Path, tmp_path: Path, text: str, parts: list[str], existing: bool
) -> None:
    """Exit code 2, a message naming the place, an empty stdout, and no database made or changed."""
    bad, db = tmp_path / "bad.csv", tmp_path / "n.db"
    bad.write_text(text, "utf-8")
    if existing:
        benchward("replay", short, "--db", db)
    before = {file.name: file.read_bytes() for file in tmp_path.iterdir()}
    result = benchward("replay", bad, "--db", db)
    assert (result.exit_code, result.stdout) == (2, "")
    assert [part for part in [str(bad), *parts] if part not in result.stderr] == []
    assert {file.name: file.read_bytes() for file in tmp_path.iterdir()} == before


def test_replay_touches_nothing_when_the_trace_cannot_be_read(benchward: Call, tmp_path: Path) -> None:
    """A missing file, a folder and bytes that are no UTF-8 are wrong input and make no database."""
    foreign, db = tmp_path / "latin.csv", tmp_path / "n.db"
    foreign.write_bytes(HEADER.encode() + b"0,,,,caf\xe9\n")
    for path in (tmp_path / "none.csv", tmp_path, foreign):
        result = benchward("replay", path, "--db", db)
        assert (result.exit_code, result.stdout, db.exists()) == (2, "", False)
        assert f"benchward: {path}" in result.stderr


@pytest.mark.parametrize(
    ("start", "part"),
    [
        ("yesterday", "'yesterday'"),
        ("2026-03-02T08:30:00", "no offset"),
        ("2026-02-30T08:30:00Z", "2026-02-30"),
    ],
)
def test_replay_is_refused_when_its_start_is_no_time(
    benchward: Call, short: Path, tmp_path: Path, start: str, part: str
) -> None:
    """The message names the option, shows the value and a time that would be right."""
    db = tmp_path / "n.db"
    result = benchward("replay", short, "--db", db, "--start", start)
    assert (result.exit_code, result.stdout, db.exists()) == (2, "", False)
    assert "--start is" in result.stderr
    assert part in result.stderr
    assert "2026-03-02T08:30:00Z" in result.stderr


def test_replay_is_refused_when_the_start_leaves_no_dates(
    benchward: Call, short: Path, tmp_path: Path
) -> None:
    """A start at the end of the calendar is wrong input before anything is printed or written."""
    db = tmp_path / "n.db"
    result = benchward("replay", short, "--db", db, "--start", "9999-12-31T23:59:59Z")
    assert (result.exit_code, result.stdout, db.exists()) == (2, "", False)


def test_replay_fails_when_its_database_cannot_be_made(benchward: Call, short: Path, tmp_path: Path) -> None:
    """A folder that is not there is a failed operation, exit code 1, with nothing printed."""
    result = benchward("replay", short, "--db", tmp_path / "none" / "n.db")
    assert (result.exit_code, result.stdout) == (1, "")
    assert "n.db: cannot be opened for writing" in result.stderr


def test_replay_leaves_a_file_alone_when_it_is_no_database(
    benchward: Call, short: Path, tmp_path: Path
) -> None:
    """A text file named as database is neither written nor taken."""
    notes = tmp_path / "notes.txt"
    notes.write_text("remember the wire\n" * 100, "utf-8")
    result = benchward("replay", short, "--db", notes)
    assert (result.exit_code != 0, result.stdout) == (True, "")
    assert "notes.txt" in result.stderr
    assert notes.read_text("utf-8") == "remember the wire\n" * 100


@pytest.mark.parametrize("traced", [False, True])
def test_replay_is_refused_when_a_station_has_run_in_its_database(
    benchward: Call, short: Path, tmp_path: Path, traced: bool
) -> None:
    """The bench's own DP-1 is not closed, moved or ended by a trace that has one too; nothing is written."""
    db = tmp_path / "bench.db"
    if traced:
        assert benchward("replay", short, "--db", db).exit_code == 0
    ledger = Ledger(db)
    ledger.write([
        Told(
            Moment("7d1c", 0),
            (
                events.StationStarted(station="s", version="v", sheet="s"),
                events.UnitBookedIn(unit="DP-1", model="m"),
                events.UnitPlaced(unit="DP-1"),
            ),
        )
    ])  # fmt: skip
    ledger.close()
    before = db.read_bytes()
    result = benchward("replay", short, "--db", db)
    assert (result.exit_code, result.stdout) == (2, "")
    assert f"--db is {db}, the record of a station (boot '7d1c' is no trace)" in result.stderr
    assert "name a new file, or one that holds only replays" in result.stderr.replace("\n", " ")
    assert db.read_bytes() == before


def test_replay_is_refused_without_migrating_when_a_station_ran_under_an_older_schema(
    benchward: Call, short: Path, tmp_path: Path
) -> None:
    """Nothing is written before the refusal, not even a newer schema."""
    db = tmp_path / "bench.db"
    ledger = Ledger(db)
    ledger.write([Told(Moment("7d1c", 0), (events.SolventLifted(),))])
    ledger.close()
    with closing(sqlite3.connect(db)) as connection, connection:
        connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION - 1}")
    before = db.read_bytes()
    result = benchward("replay", short, "--db", db)
    assert (result.exit_code, "is no trace" in result.stderr) == (2, True)
    assert db.read_bytes() == before
