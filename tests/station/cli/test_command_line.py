"""The command line itself: settings anywhere, exit codes, checks of sheets and settings, the rules' table."""

import csv
import io
import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import Result

from shared import VERSION
from station.cli import OWN_COMMANDS, main
from station.rules.causes import CAUSES
from station.settings import Settings

Call = Callable[..., Result]
Lines = Callable[[Result], list[dict[str, Any]]]


@pytest.fixture
def settings(tmp_path: Path, recorded: Path) -> Path:
    """Settings that name the recorded database."""
    path = tmp_path / "bench.toml"
    path.write_text(f'[station]\nid = "bench-7"\n[journal]\npath = "{recorded}"\n', "utf-8")
    return path


@pytest.mark.parametrize(
    "words",
    [
        ("--settings", "@", "units", "--format", "jsonl"),
        ("units", "--settings", "@", "--format", "jsonl"),
        ("units", "--format", "jsonl", "--settings", "@"),
        ("--settings=@", "units", "--format", "jsonl"),
        ("units", "--format", "jsonl", "--settings=@"),
    ],
)
def test_settings_count_when_they_stand_anywhere(
    benchward: Call, lines: Lines, settings: Path, words: tuple[str, ...]
) -> None:
    """--settings before, within and after the command, with a space or an equals sign, is the same."""
    found = lines(benchward(*(word.replace("@", str(settings)) for word in words)))
    assert len(found) == 3


@pytest.mark.parametrize(
    "words",
    [
        ("settings", "check", "--settings", "@"),
        ("settings", "--settings", "@", "check"),
        ("settings", "check", "@"),
    ],
)
def test_settings_check_names_station_and_fingerprint_when_good(
    benchward: Call, settings: Path, words: tuple[str, ...]
) -> None:
    """A good file is read back with the station's name and its fingerprint."""
    result = benchward(*(word.replace("@", str(settings)) for word in words))
    assert result.exit_code == 0
    assert "Station bench-7" in result.stdout


def test_settings_check_tells_the_same_fingerprint_when_another_process_asks() -> None:
    """The fingerprint of the defaults is the same in every process."""
    program = Path(sys.executable).with_name("benchward")
    told = subprocess.run([program, "settings", "check"], capture_output=True, text=True, check=True).stdout
    assert told.splitlines()[0].endswith(Settings().digest())


WRONG_SETTINGS = {
    "range": (
        "[limits.plate]\nover_limit_c = 200\n",
        ["limits.plate.over_limit_c is 200", "not a number from 60 to 180"],
    ),
    "unknown": ("[limits.plate]\nlimit = 1\n", ["limits.plate", "'limit' is not known"]),
    "cross": ("[wires.pins]\nred = 17\n", ["wires.pins.red is 17", "already the pin of cradle"]),
    "not TOML": ("[station\n", ["line 1"]),
}


@pytest.mark.parametrize("words", [("settings", "check"), ("units",), ("replay", "none.csv")])
@pytest.mark.parametrize(("text", "parts"), WRONG_SETTINGS.values(), ids=WRONG_SETTINGS.keys())
def test_every_command_is_refused_when_the_settings_are_wrong(
    benchward: Call, tmp_path: Path, words: tuple[str, ...], text: str, parts: list[str]
) -> None:
    """Exit code 2, stdout empty, and file, key, value and remedy on stderr, whatever the command."""
    path = tmp_path / "wrong.toml"
    path.write_text(text, "utf-8")
    result = benchward(*words, "--settings", path)
    assert (result.exit_code, result.stdout) == (2, "")
    assert [part for part in [str(path), *parts] if part not in result.stderr] == []


SHEET_HEAD = 'name = "s"\nversion = "1"\n[[step]]\nkey = "joint"\ntitle = "t"\n'
WRONG_SHEETS = {
    "no extraction": ('kind = "solder"\nextraction = false\n', ["step 1 (joint)", "extraction is False"]),
    "setpoint": (
        'kind = "heat"\nsetpoint_c = 300\ntolerance_c = 5\n',
        ["setpoint_c is 300", "not a number from 20 to 125"],
    ),
    "not TOML": ("kind = \n", ["line 6"]),
}


@pytest.mark.parametrize("command", ["check", "replay"])
@pytest.mark.parametrize(("body", "parts"), WRONG_SHEETS.values(), ids=WRONG_SHEETS.keys())
def test_sheet_is_refused_by_every_command_when_it_is_wrong(
    benchward: Call, traces: Path, tmp_path: Path, command: str, body: str, parts: list[str]
) -> None:
    """Exit code 2, stdout empty, the place and the remedy on stderr, and no database made."""
    path, db = tmp_path / "wrong.toml", tmp_path / "n.db"
    path.write_text(SHEET_HEAD + body, "utf-8")
    words: dict[str, tuple[object, ...]] = {
        "check": ("sheet", "check", path),
        "replay": ("replay", traces / "fan-dies.csv", "--sheet", path, "--db", db),
    }
    result = benchward(*words[command])
    assert (result.exit_code, result.stdout, db.exists()) == (2, "", False)
    assert [part for part in [str(path), *parts] if part not in result.stderr] == []


def test_sheet_check_reads_every_limit_back_when_good(benchward: Call, tmp_path: Path) -> None:
    """Each step's kind and limits are read back in words, and what the kind implies is said."""
    path = tmp_path / "good.toml"
    path.write_text(
        'name = "s"\nversion = "2"\n'
        '[[step]]\nkey = "warm"\ntitle = "t"\nkind = "heat"\nsetpoint_c = 90.5\ntolerance_c = 3\n'
        'soak_min = 4\nmax_min = 20\nsolvent = "hot"\n'
        '[[step]]\nkey = "joint"\ntitle = "t"\nkind = "solder"\n'
        '[[step]]\nkey = "glue"\ntitle = "t"\nkind = "bond"\nopen_time_min = 5\n'
        '[[step]]\nkey = "wait"\ntitle = "t"\nkind = "cure"\ncure_h = 24\nafter = ["glue"]\n',
        "utf-8",
    )
    result = benchward("sheet", "check", path)
    assert result.exit_code == 0
    assert result.stdout.splitlines() == [
        f"{path}: good. s 2, 4 steps:",
        "  warm: heat, 90.5 ±3 °C, soak 4 min, at most 20 min, solvent hot",
        "  joint: solder, extraction proven",
        "  glue: bond, open time 5 min",
        "  wait: cure, cure 24 h, after glue",
    ]


@pytest.mark.parametrize(
    ("setpoint_c", "tolerance_c", "says"),
    [
        (100, 5, None),
        (115, 15, "the band reaches 130 °C; at 130 °C (limits.plate.over_limit_c) everything stops"),
        (115, 14.9, None),
        (40, 10, "the band begins at 30 °C: a plate that nobody has switched on"),
        (40, 9.5, None),
    ],
)
def test_sheet_check_warns_of_a_band_wider_than_sense(
    benchward: Call, tmp_path: Path, setpoint_c: float, tolerance_c: float, says: str | None
) -> None:
    """A band up to the limit leaves no room for a warning; one down to the room is met by a cold plate."""
    path = tmp_path / "wide.toml"
    path.write_text(
        'name = "s"\nversion = "2"\n[[step]]\nkey = "warm"\ntitle = "t"\nkind = "heat"\n'
        f"setpoint_c = {setpoint_c}\ntolerance_c = {tolerance_c}\n",
        "utf-8",
    )
    result = benchward("sheet", "check", path)
    assert (result.exit_code, result.stdout.splitlines()[0]) == (0, f"{path}: good. s 2, 1 step:")
    if says is None:
        assert result.stderr == ""
    else:
        assert result.stderr.startswith(f"benchward: {path}: step warm: tolerance_c is {tolerance_c}, ")
        assert says in result.stderr


def test_rules_list_every_cause_when_printed_in_any_form(benchward: Call, lines: Lines) -> None:
    """The table has one row per cause, in every form, with the same effects."""
    alarms = [cause.alarm for cause in CAUSES]
    as_lines = lines(benchward("rules", "--format", "jsonl"))
    as_table = list(csv.DictReader(io.StringIO(benchward("rules", "--format", "csv").stdout)))
    as_text = benchward("rules").stdout
    assert [row["alarm"] for row in as_lines] == [row["alarm"] for row in as_table] == alarms
    assert [row["effects"] for row in as_lines] == [json.loads(row["effects"]) for row in as_table]
    assert [alarm for alarm in alarms if f"\n{alarm} " not in f"\n{as_text}"] == []


def test_rules_show_the_settings_delays_when_they_differ(
    benchward: Call, lines: Lines, tmp_path: Path
) -> None:
    """The table is the one that this station enforces, not the defaults'."""
    path = tmp_path / "slow.toml"
    path.write_text("[limits.plate]\nover_limit_delay_s = 2.5\n", "utf-8")
    rows = lines(benchward("rules", "--format", "jsonl", "--settings", path))
    assert {row["alarm"]: row["on_delay_s"] for row in rows}["plate-over-limit"] == 2.5


@pytest.mark.parametrize(
    "words",
    [
        ("fly",),
        ("replay",),
        ("heat",),
        ("units", "--colour"),
        ("units", "--format", "xml"),
        ("--settings",),
        ("sheet", "check"),
        ("run", "--speed", "2"),
        ("run", "--simulate", "--speed", "0"),
        ("demo", "--port", "0"),
    ],
)
def test_command_line_is_refused_when_used_wrongly(benchward: Call, words: tuple[str, ...]) -> None:
    """Wrong use is exit code 2 with a word on stderr and nothing on stdout."""
    result = benchward(*words)
    assert (result.exit_code, result.stdout) == (2, "")
    assert "Usage: " in result.stderr or "Error: " in result.stderr


@pytest.mark.parametrize(
    "words", [("--help",), ("replay", "--help"), ("heat", "--help"), ("verify", "--help")]
)
def test_help_is_given_when_asked_for(benchward: Call, words: tuple[str, ...]) -> None:
    """Help is no error."""
    result = benchward(*words)
    assert (result.exit_code, result.stderr, "Usage: " in result.stdout) == (0, "", True)


def test_version_is_told_when_asked_for(benchward: Call) -> None:
    """The program says which version it is."""
    assert benchward("--version").stdout == f"benchward, version {VERSION}\n"


def test_help_says_it_is_no_safety_device_when_asked(benchward: Call) -> None:
    """Nobody can read the help without reading what the station does not replace."""
    text = " ".join(benchward("--help").stdout.split())
    assert "Not a safety-rated device" in text


def test_every_command_of_ours_has_its_name():
    """The table of commands names what is there, and each command by the name it gives itself."""
    context = click.Context(main)
    found = {name: main.get_command(context, name) for name in OWN_COMMANDS}
    assert {name: command.name for name, command in found.items()} == {name: name for name in OWN_COMMANDS}


@pytest.mark.parametrize("command", ["dashboard", "collect", "backup", "verify"])
def test_a_command_that_touches_no_wires_loads_no_driver(command):
    """Its service hides what the drivers read when they are loaded (/proc/cpuinfo); it must not want them."""
    script = (
        "import sys, click\nfrom station.cli import main\n"
        f"assert main.get_command(click.Context(main), {command!r}) is not None\n"
        "print(sorted({'gpiozero', 'adafruit_max31855', 'station.drivers'} & set(sys.modules)))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout == "[]\n"
