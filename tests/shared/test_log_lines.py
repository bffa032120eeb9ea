"""The log: one line a fact."""

import io
import logging
import os
import subprocess
import sys

import pytest

from shared.events import AlarmRaised, PermitDropped, PlateAtSetpoint, UnitClosed
from shared.log_lines import OneLine, event_level, event_line, priority, read_by_journald


def record(level: int, text: str, error: bool = False) -> logging.LogRecord:
    """A record, with a traceback if wanted."""
    info = None
    if error:
        try:
            raise ValueError("two\nlines")
        except ValueError:
            info = sys.exc_info()
    return logging.LogRecord("benchward.x", level, "f", 1, text, (), info)


def test_traceback_is_folded_into_one_line():
    """What the service manager keeps line by line stays together."""
    line = OneLine(journald=True).format(record(logging.ERROR, "it broke", error=True))
    assert "\n" not in line
    assert line.startswith("<3>benchward.x: it broke | Traceback")
    assert "ValueError: two | lines" in line


def test_elsewhere_the_time_stands_in_front():
    """A line in a terminal says when, in UTC, and how bad."""
    made = record(logging.WARNING, "x")
    made.created, made.msecs = 0.25, 250.0
    assert OneLine(journald=False).format(made) == "1970-01-01T00:00:00.250Z WARNING benchward.x: x"


@pytest.mark.parametrize(
    ("level", "number"),
    [(logging.CRITICAL, 2), (logging.ERROR, 3), (logging.WARNING, 4), (logging.INFO, 6), (logging.DEBUG, 7)],
)
def test_level_goes_in_front_for_the_service_manager(level, number):
    """The numbers are syslog's (RFC 5424, table 2), in the form sd-daemon(3) describes."""
    assert priority(level) == number
    assert OneLine(journald=True).format(record(level, "x")) == f"<{number}>benchward.x: x"


@pytest.mark.parametrize(
    ("body", "line"),
    [
        (
            AlarmRaised(alarm="plate-high", priority="medium", unit="DP-1"),
            "alarm-raised alarm=plate-high priority=medium unit=DP-1",
        ),
        (
            PermitDropped(reasons=["solvent-out", "critical-alarm"]),
            "permit-dropped reasons=solvent-out,critical-alarm",
        ),
        (
            UnitClosed(unit="DP-1", outcome="scrap", reason='said "no"\nmore'),
            'unit-closed unit=DP-1 outcome=scrap reason="said \\"no\\"\\nmore"',
        ),
        (
            PlateAtSetpoint(unit="DP-1", step="separation", values={"plate_c": 78.125}),
            "plate-at-setpoint unit=DP-1 step=separation plate_c=78.125",
        ),
    ],
)
def test_event_is_one_line_of_words(body, line):
    """Kind, then key=value; whatever a person wrote is quoted and cannot break the line."""
    assert event_line(body) == line


def test_critical_alarm_is_the_loudest_line():
    """Alarms carry their priority into the log; what merely happened is information."""
    levels = [
        event_level(AlarmRaised(alarm="x", priority=level)) for level in ("low", "medium", "high", "critical")
    ]
    assert levels == [logging.INFO, logging.WARNING, logging.ERROR, logging.CRITICAL]
    assert event_level(PermitDropped(reasons=["solvent-out"])) == logging.INFO


def test_journal_stream_must_be_this_very_file(tmp_path):
    """systemd.exec(5): device and inode; a stream turned elsewhere has the variable but not the reader."""
    with (tmp_path / "one").open("w") as one, (tmp_path / "two").open("w") as two:
        found = os.fstat(one.fileno())
        environ = {"JOURNAL_STREAM": f"{found.st_dev}:{found.st_ino}"}
        assert read_by_journald(one, environ)
        assert not read_by_journald(two, environ)
        assert not read_by_journald(one, {})
        assert not read_by_journald(io.StringIO(), environ)


SPEAKER = """
import logging, os, sys
from shared.log_lines import logging_to_stderr
found = os.fstat(2)
if sys.argv[1] == "journald":
    os.environ["JOURNAL_STREAM"] = f"{found.st_dev}:{found.st_ino}"
with logging_to_stderr():
    logging.getLogger("benchward").info("one %s", "fact")
    logging.getLogger("benchward").debug("too fine")
    try:
        1 / 0
    except ZeroDivisionError:
        logging.getLogger("benchward").exception("a fault of ours")
"""


@pytest.mark.parametrize(("reader", "begins"), [("journald", ("<6>", "<3>")), ("terminal", ("2", "2"))])
def test_program_writes_a_line_each_and_all_of_them(reader, begins):
    """The lines that wait when the program ends are written."""
    done = subprocess.run([sys.executable, "-c", SPEAKER, reader], capture_output=True, text=True, check=True)
    lines = done.stderr.splitlines()
    assert len(lines) == 2
    assert [line[: len(begin)] for line, begin in zip(lines, begins, strict=True)] == list(begins)
    assert lines[0].endswith("benchward: one fact")
    assert "a fault of ours | Traceback" in lines[1]
    assert lines[1].endswith("ZeroDivisionError: division by zero")


def test_nobody_reading_keeps_nobody_waiting():
    """A full pipe at stderr must not hold up whoever logs: 5,000 long lines into one that nobody reads."""
    code = (
        "import logging, os, time\nfrom shared.log_lines import logging_to_stderr\n"
        "with logging_to_stderr():\n"
        "    began = time.monotonic()\n"
        "    for _ in range(5000): logging.getLogger('x').info('y' * 1000)\n"
        "    print(time.monotonic() - began, flush=True)\n    os._exit(0)\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        took_s = float(process.stdout.readline())
        process.wait(10)
    assert took_s < 5
