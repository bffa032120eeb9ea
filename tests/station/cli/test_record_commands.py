"""`units`, `heat`, `log`, `alarms` and `verify` over a database of three replayed traces."""

import csv
import io
import json
import re
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result

from shared import events
from shared.timeline import Moment
from station.cli.record import LOG_COLUMNS, event_text
from station.journal.ledger import Ledger, Told

Call = Callable[..., Result]
Lines = Callable[[Result], list[dict[str, Any]]]
FORMS = ("jsonl", "csv", "text")


def table(result: Result) -> list[dict[str, str]]:
    """What a command printed as CSV."""
    assert (result.exit_code, result.stderr) == (0, "")
    return list(csv.DictReader(io.StringIO(result.stdout)))


def test_units_tell_every_unit_when_listed(benchward: Call, lines: Lines, recorded: Path) -> None:
    """One unit of each trace, with the steps that trace took it through."""
    found = lines(benchward("units", "--db", recorded, "--format", "jsonl"))
    assert [(unit["unit"], unit["outcome"]) for unit in found] == [
        ("DP-1042", "open"), ("DP-1043", "open"), ("DP-1041", "open"),
    ]  # fmt: skip
    assert found[0]["steps"] == [{"step": "solder", "result": "pass"}]
    assert [step["step"] for step in found[2]["steps"]] == [
        "intake", "frame-off", "separate", "check-1", "strip", "clean", "laminate", "debubble", "check-2",
        "solder",
    ]  # fmt: skip


def test_units_are_the_same_when_listed_in_any_form(benchward: Call, lines: Lines, recorded: Path) -> None:
    """JSON lines, CSV and text name the same units in the same order."""
    named = [unit["unit"] for unit in lines(benchward("units", "--db", recorded, "--format", "jsonl"))]
    rows = table(benchward("units", "--db", recorded, "--format", "csv"))
    text = benchward("units", "--db", recorded).stdout.splitlines()
    assert [row["unit"] for row in rows] == named
    assert [line.split(":")[0] for line in text] == named
    assert json.loads(rows[0]["steps"]) == [{"step": "solder", "result": "pass"}]


def test_heat_agrees_with_the_wires_when_the_thermocouple_opened(
    benchward: Call, recorded: Path, traces: Path
) -> None:
    """The coverage is the share of words that a live chip sent without a fault while the unit lay there.

    The fault bit is D16 (datasheet 19-5793, table 2); an all-zero word is a bus on which nobody answers.
    """
    found = json.loads(benchward("heat", "DP-1043", "--db", recorded, "--format", "json").stdout)
    with (traces / "open-thermocouple.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if float(row["t_s"]) >= found["intervals"][0]["from_s"]]
    words = [int(row["plate_frame"], 16) for row in rows]
    faulty = [word == 0 or bool(word >> 16 & 1) for word in words]
    assert any(faulty)
    assert found["coverage"] == pytest.approx(1 - sum(faulty) / len(faulty), abs=0.002)
    assert len(found["gaps"]) == 1
    first, last = faulty.index(True), len(faulty) - 1 - faulty[::-1].index(True)
    gap = found["gaps"][0]
    assert gap["from_s"] == pytest.approx(float(rows[first]["t_s"]), abs=0.3)
    assert gap["to_s"] == pytest.approx(float(rows[last]["t_s"]), abs=0.6)


def test_heat_has_every_figure_when_asked_as_json(benchward: Call, recorded: Path) -> None:
    """The keys that other programs read are all there, and their numbers fit each other."""
    found = json.loads(benchward("heat", "DP-1041", "--db", recorded, "--format", "json").stdout)
    assert set(found) == {
        "unit", "intervals", "duration_s", "coverage", "gaps", "peak_c", "mean_c", "time_above_s",
        "max_rise_c_per_min", "mean_kinetic_c", "equivalent_min_at_100c", "heat_cycles", "by_step",
        "unseen",
    }  # fmt: skip
    above = [found["time_above_s"][key] for key in ("60", "80", "100", "110")]
    assert above == sorted(above, reverse=True)
    assert found["mean_c"] <= found["mean_kinetic_c"] <= found["peak_c"]
    assert (found["coverage"], found["heat_cycles"], list(found["by_step"])) == (
        1, 1, ["frame-off", "separate", "check-1", "strip"],
    )  # fmt: skip
    assert found["by_step"]["frame-off"]["duration_s"] == pytest.approx(1001.6 - 35.5)


def test_heat_is_told_in_words_when_asked_as_text(benchward: Call, recorded: Path) -> None:
    """The text names the unit, the gap that was not bridged, and that the dose is no lifetime."""
    text = benchward("heat", "DP-1043", "--db", recorded).stdout
    assert [part for part in ("DP-1043", "not bridged", "°C", "no lifetime") if part not in text] == []


def test_heat_says_so_when_the_unit_never_lay_on_the_plate(benchward: Call, recorded: Path) -> None:
    """A unit that was only soldered has no heat history."""
    result = benchward("heat", "DP-1042", "--db", recorded)
    assert (result.exit_code, "never lay on the plate" in result.stdout) == (0, True)


def test_heat_is_refused_when_the_unit_is_unknown(benchward: Call, recorded: Path) -> None:
    """The message names the file and the unit."""
    result = benchward("heat", "DP-9", "--db", recorded)
    assert (result.exit_code, result.stdout) == (2, "")
    assert f"{recorded}: unit is 'DP-9'" in result.stderr


def test_log_is_the_same_when_listed_in_any_form(benchward: Call, lines: Lines, recorded: Path) -> None:
    """JSON lines, CSV and text list the same events in order of seq."""
    events = lines(benchward("log", "--db", recorded, "--format", "jsonl"))
    rows = table(benchward("log", "--db", recorded, "--format", "csv"))
    text = benchward("log", "--db", recorded, "--format", "text").stdout.splitlines()
    assert [event["seq"] for event in events] == list(range(1, len(events) + 1))
    assert [(int(row["seq"]), row["kind"], row["hash"]) for row in rows] == [
        (event["seq"], event["kind"], event["hash"]) for event in events
    ]
    assert [line.split()[0] for line in text] == [str(event["seq"]) for event in events]
    assert all(event["kind"] in line for event, line in zip(events, text, strict=True))


def test_csv_holds_no_formula_that_a_stranger_wrote(
    benchward: Call, lines: Lines, recorded: Path, tmp_path: Path
) -> None:
    """What a spreadsheet would reckon is text in it; JSON lines have it bare."""
    path = Path(shutil.copy(recorded, tmp_path / "bench.db"))
    ledger = Ledger(path)
    formula = '=HYPERLINK("http://x","y")'
    refused = events.RequestRefused(request=formula, reasons=["unknown-request"])
    booked = events.UnitBookedIn(unit="-U-1", model="@M", job=formula)
    ledger.write([Told(Moment("other", 1000), (refused, booked))])
    ledger.close()
    for command in ("log", "units"):
        rows = table(benchward(command, "--db", path, "--format", "csv"))
        cells = [cell for row in rows for cell in row.values()]
        assert not [
            cell for cell in cells if cell[:1] in "=@-+" and cell and not re.fullmatch(r"-[\d.]+", cell)
        ]
        assert [cell for cell in cells if cell == "'-U-1"]
    bare = lines(benchward("units", "--db", path, "--format", "jsonl"))
    assert [(unit["unit"], unit["job"]) for unit in bare][-1] == ("-U-1", formula)


def test_log_prints_what_replay_printed_when_read_back(
    benchward: Call, lines: Lines, recorded: Path, traces: Path
) -> None:
    """The first trace's events come out of the database as its replay told them."""
    told = lines(benchward("replay", traces / "fan-dies.csv", "--start", "2026-03-02T08:30:00Z"))
    logged = lines(benchward("log", "--db", recorded, "--format", "jsonl"))
    assert logged[: len(told)] == told


@pytest.mark.parametrize("form", FORMS)
def test_log_lists_only_what_fits_when_filtered(benchward: Call, recorded: Path, form: str) -> None:
    """Kind and unit together leave only the solder starts of one unit."""
    result = benchward(
        "log", "--db", recorded, "--kind", "step-started", "--unit", "DP-1042", "--format", form
    )
    body = result.stdout.splitlines()[form == "csv" :]
    assert (result.exit_code, len(body)) == (0, 1)
    assert "DP-1042" in body[0]


def test_log_lists_only_that_time_when_given_from_and_to(
    benchward: Call, lines: Lines, recorded: Path
) -> None:
    """Only dated events are in a stretch of time; the beginning is in it, the end is not."""
    found = lines(
        benchward(
            "log", "--db", recorded, "--format", "jsonl",
            "--from", "2026-03-02T08:30:03.0Z", "--to", "2026-03-02T09:30:20.4+01:00",
        )
    )  # fmt: skip
    assert [event["mono_s"] for event in found] == [3.0, 3.1, 3.1, 3.2, 10.3, 13.3, 13.3]
    assert {event["at"][:10] for event in found} == {"2026-03-02"}


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (("--from", "noon"), "--from is 'noon'"),
        (("--to", "2026-03-02"), "--to is '2026-03-02'"),
        (("--kind", "explosion"), "explosion"),
        (("--format", "xml"), "jsonl"),
    ],
)
def test_log_is_refused_when_an_option_is_wrong(
    benchward: Call, recorded: Path, words: tuple[str, str], part: str
) -> None:
    """Exit code 2, the option and its value on stderr, nothing on stdout."""
    result = benchward("log", "--db", recorded, *words)
    assert (result.exit_code, result.stdout) == (2, "")
    assert part in result.stderr


def test_alarms_tell_whole_lives_when_listed(benchward: Call, lines: Lines, recorded: Path) -> None:
    """Each alarm's life: raised, acknowledged, returned and closed, or not yet."""
    found = lines(benchward("alarms", "--db", recorded, "--format", "jsonl"))
    assert [(alarm["alarm"], alarm["priority"], alarm["unit"]) for alarm in found] == [
        ("extraction-lost", "critical", "DP-1042"),
        ("plate-sensor-fault", "high", "DP-1043"),
        ("run-on-short", "low", "DP-1041"),
    ]
    lost, fault, short = found
    assert (lost["raised"], lost["acknowledged"]) == ("2026-03-02T08:30:51.000Z", "2026-03-02T08:31:10.500Z")
    assert (fault["raised"], fault["acknowledged"], fault["returned"]) == (730.8, None, 746.8)
    assert (short["acknowledged"], short["closed"]) == (None, None)


def test_alarms_are_the_same_when_listed_in_any_form(benchward: Call, recorded: Path) -> None:
    """CSV and text name the same alarms, and text says what did not happen."""
    rows = table(benchward("alarms", "--db", recorded, "--format", "csv"))
    text = benchward("alarms", "--db", recorded).stdout.splitlines()
    assert [row["alarm"] for row in rows] == [line.split()[0] for line in text]
    assert "not acknowledged" in text[1]


@pytest.mark.parametrize("command", ["units", "log", "alarms", "verify", "heat"])
def test_command_is_refused_when_there_is_no_database(benchward: Call, tmp_path: Path, command: str) -> None:
    """A missing file is wrong input, and is not made."""
    path = tmp_path / "none.db"
    words = ("heat", "DP-1") if command == "heat" else (command,)
    result = benchward(*words, "--db", path)
    assert (result.exit_code, result.stdout, path.exists()) == (2, "", False)
    assert str(path) in result.stderr


def test_commands_leave_the_database_as_it_was_when_they_read(
    benchward: Call, recorded: Path, tmp_path: Path
) -> None:
    """Reading changes not one byte of the file."""
    copy = tmp_path / "copy.db"
    shutil.copy(recorded, copy)
    before = copy.read_bytes()
    for words in (("units",), ("log",), ("alarms",), ("verify",), ("heat", "DP-1041")):
        assert benchward(*words, "--db", copy).exit_code == 0
    assert copy.read_bytes() == before


def test_log_tells_how_a_unit_ended() -> None:
    """Whoever reads the log wants to know whether it went out or into the bin."""
    row = {"seq": 9, "at": None, "mono_s": 1.0, "kind": "unit-closed", "unit": "U-1", "outcome": "scrap",
           "reason": "cracked twice"}  # fmt: skip
    assert event_text(row).endswith("unit-closed          U-1 scrap cracked twice")
    assert "outcome" in LOG_COLUMNS


# ---- verify


def test_verify_prints_the_head_when_the_chain_is_whole(
    benchward: Call, lines: Lines, recorded: Path
) -> None:
    """The head is the last event's hash, and standing there counts as standing in the chain."""
    last = lines(benchward("log", "--db", recorded, "--format", "jsonl"))[-1]
    result = benchward("verify", "--db", recorded)
    assert result.stdout.splitlines()[0] == f"{last['seq']} events, unbroken; head {last['hash']}"
    assert "No head to compare with" in result.stdout
    compared = benchward("verify", "--db", recorded, "--head", last["hash"])
    assert compared.exit_code == 0
    assert "No head to compare with" not in compared.stdout
    assert f"The head {last['hash'][:16]}… stands in it" in compared.stdout


@pytest.mark.parametrize(
    ("statement", "seq"),
    [
        ("UPDATE events SET body = replace(body, 'T-04', 'T-05') WHERE seq = 2", 2),
        ("UPDATE events SET mono_ms = 0 WHERE seq = 12", 12),
        ("DELETE FROM events WHERE seq = 5", 5),
        ("DELETE FROM events WHERE seq = 1", 1),
    ],
)
def test_verify_fails_naming_the_seq_when_the_database_was_tampered_with(
    benchward: Call, recorded: Path, tmp_path: Path, statement: str, seq: int
) -> None:
    """Exit code 1, nothing on stdout, the file and the seq on stderr."""
    copy = tmp_path / "copy.db"
    shutil.copy(recorded, copy)
    connection = sqlite3.connect(copy)
    connection.execute(statement)
    connection.commit()
    connection.close()
    result = benchward("verify", "--db", copy)
    assert (result.exit_code, result.stdout) == (1, "")
    assert re.search(rf"copy\.db: the chain breaks: event {seq}\b", result.stderr)


def test_verify_misses_a_head_when_the_tail_was_cut(
    benchward: Call, lines: Lines, recorded: Path, tmp_path: Path
) -> None:
    """A cut tail is whole in itself; only the head written down elsewhere shows it."""
    copy = tmp_path / "copy.db"
    shutil.copy(recorded, copy)
    head = lines(benchward("log", "--db", recorded, "--format", "jsonl"))[-1]["hash"]
    connection = sqlite3.connect(copy)
    connection.execute("DELETE FROM events WHERE seq = (SELECT max(seq) FROM events)")
    connection.commit()
    connection.close()
    assert benchward("verify", "--db", copy).exit_code == 0
    result = benchward("verify", "--db", copy, "--head", head)
    assert (result.exit_code, result.stdout, head in result.stderr) == (1, "", True)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ("UPDATE units SET model = 'other'", "units, row of event"),
        (
            "UPDATE steps SET result = 'pass' WHERE step = 'frame-off'",
            "result is 'pass', the events say None",
        ),
        ("DELETE FROM placements", "placements lacks the row that event"),
        ("DROP TABLE readings", "the table 'readings' is missing"),
    ],
)
def test_verify_fails_when_what_was_derived_disagrees(
    benchward: Call, traces: Path, tmp_path: Path, change: str, message: str
) -> None:
    """Tables made from the events are compared with the events; the message names table, row and value."""
    db = tmp_path / "n.db"
    assert benchward("replay", traces / "open-thermocouple.csv", "--db", db).exit_code == 0
    connection = sqlite3.connect(db)
    connection.execute(change)
    connection.commit()
    connection.close()
    result = benchward("verify", "--db", db)
    assert (result.exit_code, result.stdout) == (1, "")
    assert message in result.stderr


def test_extraction_tells_hours_and_weeks(benchward: Call, lines: Lines, recorded: Path) -> None:
    """Three traces of a fan that ran most of the time; the filter's age is not known."""
    text = benchward("extraction", "--db", recorded)
    assert text.exit_code == 0
    assert "When its filter was new is not known" in text.stdout
    weeks = lines(benchward("extraction", "--db", recorded, "--format", "jsonl"))
    assert (
        sum(week["hours"] for week in weeks) <= float(text.stdout.split("ran for ")[1].split(" h")[0]) + 0.01
    )
    assert all(0.3 < week["mean_a"] < 0.6 for week in weeks)
