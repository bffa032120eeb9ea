"""The wall clock wrong, unset and stepped under a running station: durations and order never suffer.

Debian's libfaketime moves the station's wall clock and leaves the monotonic one alone. The clock of a board
without a battery begins in 1970 and is set later, as systemd's documentation describes.
"""

import time
from datetime import UTC, datetime
from pathlib import Path

import pytest
from live import Station, wait_until

from shared.history import History
from station.link.asking import Asker

pytestmark = pytest.mark.system

# Python sleeps by clock_nanosleep, to which Debian 12's libfaketime gives a time it refuses; select works.
PROGRAM = """
import runpy, select, time
time.sleep = lambda seconds: select.select([], [], [], max(0.0, seconds))
runpy.run_module("station", run_name="__main__", alter_sys=True)
"""
LIBRARIES = sorted(Path("/usr/lib").glob("*/faketime/libfaketime.so.1"))


class FakeWall:
    """The wall clock of a process started with `env`: moved by writing a file."""

    def __init__(self, folder: Path) -> None:
        assert LIBRARIES, "libfaketime is not installed: apt-get install faketime"
        self._file = folder / "wall"
        self.env = {
            "LD_PRELOAD": str(LIBRARIES[0]),
            "FAKETIME_TIMESTAMP_FILE": str(self._file),
            "FAKETIME_NO_CACHE": "1",
            "DONT_FAKE_MONOTONIC": "1",
            "FAKETIME_DONT_FAKE_MONOTONIC": "1",
        }

    def move(self, offset_s: float) -> None:
        """Let it run so far beside the true time."""
        self._file.write_text(f"{offset_s:+f}s\n")

    def start_in_1970(self) -> None:
        """Let it stand where a board without a battery begins."""
        self.move(-time.time() + 60)


@pytest.fixture
def wall(tmp_path):
    """A wall clock to move."""
    wall = FakeWall(tmp_path)
    wall.move(0)
    return wall


def slow_to_set(folder, broker, extra=""):
    """A station whose wall clock can be moved."""
    station = Station(folder, broker.port, extra=extra)
    program = folder / "program.py"
    program.write_text(PROGRAM)
    station.program = [str(program)]
    return station


def events_of(db):
    """All events as printed."""
    with History(db) as history:
        return [dated.to_dict() for dated in history.events()]


def age_s(event):
    """How far an event's time is from now, in seconds."""
    return (datetime.now(UTC) - datetime.fromisoformat(event["at"])).total_seconds()


def ask(broker, *texts):
    """Requests that must be accepted."""
    with Asker("127.0.0.1", broker.port, "bench-1", "asker") as asker:
        for text in texts:
            answer = asker.ask(text, timeout_s=10)
            assert answer is not None
            assert answer.accepted, (text, answer)


def test_a_start_in_1970_is_dated_right_once_the_clock_is_set(tmp_path, broker, listener, wall):
    """No date while the clock is not set, and an alarm; then all of it gets its date."""
    sync_file = tmp_path / "synchronised"
    station = slow_to_set(tmp_path, broker, f'sync_file = "{sync_file}"\n')
    wall.start_in_1970()
    station.start(env=wall.env)
    wait_until(lambda: listener.on("state"), what="the station")
    ask(broker, "sign-in technician=T-1", "book-in unit=U-1 model=m", "start step=intake")
    wait_until(lambda: any(s["alarms"] for s in listener.on("state")), what="the alarm of the clock")
    before = events_of(station.db)
    assert [event["at"] for event in before] == [None] * len(before)
    assert "clock-untrusted" in [event.get("alarm") for event in before]
    wall.move(0)
    sync_file.touch()
    wait_until(lambda: "clock-set" in [event["kind"] for event in events_of(station.db)], what="the clock")
    ask(broker, "finish step=intake result=pass")
    assert station.end() == 0
    after = events_of(station.db)
    assert all(0 <= age_s(event) < 60 for event in after), [event["at"] for event in after]
    finished = next(event for event in after if event["kind"] == "step-finished")
    assert 0 < finished["values"]["duration_s"] < 60
    assert [event["hash"] for event in after][: len(before)] == [event["hash"] for event in before]


@pytest.mark.parametrize("step_s", [3 * 3600, -3 * 3600], ids=["three hours ahead", "three hours back"])
def test_a_step_of_the_wall_clock_changes_no_duration_and_no_order(tmp_path, broker, listener, wall, step_s):
    """A step runs while the clock is set; its duration is the monotonic clock's, and the order stands."""
    station = slow_to_set(tmp_path, broker)
    station.start(env=wall.env)
    wait_until(lambda: listener.on("state"), what="the station")
    ask(broker, "sign-in technician=T-1", "book-in unit=U-1 model=m", "start step=intake")
    begun = time.monotonic()
    wall.move(step_s)
    wait_until(
        lambda: [event["kind"] for event in events_of(station.db)].count("clock-set") == 2,
        what="the step of the clock",
    )
    ask(broker, "finish step=intake result=pass")
    passed_s = time.monotonic() - begun
    assert station.end() == 0
    events = events_of(station.db)
    finished = next(event for event in events if event["kind"] == "step-finished")
    assert 0 <= finished["values"]["duration_s"] <= passed_s + 1
    assert [event["mono_s"] for event in events] == sorted(event["mono_s"] for event in events)
    with History(station.db) as history:
        assert history.verify().problem is None
        heat_seconds = [dated.second.second for dated in history.seconds_page(history.cursor("none"), 1000)]
    assert heat_seconds == sorted(set(heat_seconds))
    # The whole boot is dated by what the clock says now.
    assert all(abs(age_s(event) + step_s) < 60 for event in events)
