"""`benchward check --shift` as a technician does it: a running station, a real broker, prompts, yes and no.

The person does at the simulated bench what the prompts ask for, and says of lamps, buzzer and iron what the
pins have shown, never what the check hopes for. Simulated time runs four times as fast as real time; the
wires are then sampled with it, so that a busy machine costs no samples.
"""

import os
import subprocess
import sys
import threading
import time
from contextlib import suppress
from pathlib import Path

import pytest
from live import wait_until
from rig import COLOURS, Rig

pytestmark = pytest.mark.system
ANSWER_S = 60.0
OK = dict.fromkeys(("plate", "lamps", "buzzer", "extraction", "permit-drops"), "passed")


class Watcher:
    """Somebody who looks at lamps, buzzer and permit all the time. ``broken``: outputs that stay dark."""

    def __init__(self, rig: Rig, broken: frozenset[str] = frozenset()) -> None:
        self.rig, self.broken, self.seen = rig, broken, set()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._look)

    def __enter__(self) -> "Watcher":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join(5)

    def _look(self) -> None:
        while not self._stop.wait(0.01):
            for name in (*COLOURS, "buzzer"):
                if self.rig.pin(name).state and name not in self.broken:
                    self.seen.add(name)

    @property
    def iron_live(self) -> bool:
        """Whether the iron's socket has power."""
        return "permit-welded" in self.broken or self.rig.permit()


class Technician:
    """At the terminal of the command, and at the bench."""

    def __init__(self, watcher: Watcher) -> None:
        self._watcher, self.prompts = watcher, ""
        fan = watcher.rig.plant.fan
        self._acts = {
            "Switch the extractor on.": lambda: fan.start(),
            "Switch the extractor off,": lambda: fan.stop(),
            "Is that likely": lambda: True,
            "Did all four lamps light": lambda: watcher.seen >= set(COLOURS),
            "Did the buzzer sound?": lambda: "buzzer" in watcher.seen,
            "Does the iron have power": lambda: watcher.iron_live,
            "Is the iron dead now?": lambda: not watcher.iron_live,
        }

    def go_through(self, process: subprocess.Popen) -> str:
        """Answer every prompt until the command ends; what it printed."""
        os.set_blocking(process.stderr.fileno(), False)
        answered, end_s = 0, time.monotonic() + ANSWER_S
        while process.poll() is None:
            assert time.monotonic() < end_s, f"the command still waits after {self.prompts!r}"
            with suppress(BlockingIOError):
                self.prompts += (process.stderr.read() or b"").decode()
            rest = self.prompts[answered:]
            words = next((words for words in self._acts if words in rest), None)
            # A prompt is whole when the command waits behind it.
            if words is None or not rest.rstrip().endswith(("…", "[y/n]:")):
                time.sleep(0.02)
                continue
            answered = len(self.prompts)
            word = {True: "y", False: "n", None: ""}[self._acts.pop(words)()]
            process.stdin.write(f"{word}\n".encode())
            process.stdin.flush()
        self.prompts += (process.stderr.read() or b"").decode()
        return process.stdout.read().decode()


@pytest.fixture
def rig(tmp_path, broker):
    """A station on a simulated bench within reach, at the broker."""
    with Rig(tmp_path, broker.port, speed=4.0) as rig:
        yield rig


@pytest.fixture
def settings(tmp_path, broker) -> Path:
    """What the command goes by; of the station's journal it knows nothing."""
    file = tmp_path / "settings.toml"
    file.write_text(f'[broker]\nport = {broker.port}\n[journal]\npath = "{tmp_path / "none.db"}"\n')
    return file


def started(settings: Path) -> subprocess.Popen:
    """The command, waiting for its person."""
    command = [
        sys.executable,
        "-m",
        "station",
        "--settings",
        str(settings),
        "check",
        "--shift",
        "--by",
        "T-04",
    ]
    pipes = dict.fromkeys(("stdin", "stdout", "stderr"), subprocess.PIPE)
    return subprocess.Popen(command, **pipes)


def checked(rig: Rig, settings: Path, broken: frozenset[str] = frozenset()) -> tuple[int, str, str]:
    """Go through the whole check; exit code, stdout, stderr."""
    with Watcher(rig, broken) as watcher, started(settings) as process:
        try:
            technician = Technician(watcher)
            out = technician.go_through(process)
        finally:
            process.kill()
        return process.wait(10), out, technician.prompts


def recorded(rig: Rig) -> list[dict]:
    """The shift checks on disk."""
    return [event for event in rig.events() if event["kind"] == "shift-checked"]


def test_whole_bench_passes_and_the_station_records_it(rig, settings, listener):
    """Proof and permit came and went through the rules; the event, the state and the exit code agree."""
    wait_until(lambda: listener.on("state"), what="the state")
    code, out, err = checked(rig, settings)
    assert code == 0, out + err
    events = recorded(rig)
    assert [(event["by"], event["passed"], event["verdicts"]) for event in events] == [("T-04", True, OK)]
    assert f"Recorded by the station as event {events[0]['seq']}." in err
    assert [line.split()[1] for line in out.splitlines()] == list(OK)
    kinds = [event["kind"] for event in rig.events()]
    turns = ("extraction-proven", "permit-granted", "extraction-lost", "permit-dropped", "shift-checked")
    assert [kind for kind in kinds if kind in turns] == list(turns)
    wait_until(
        lambda: (listener.on("state")[-1]["commissioning"] or {}).get("shift_passed") is True,
        what="the state with the check",
    )
    assert not (settings.parent / "none.db").exists()


@pytest.mark.parametrize(
    ("broken", "failed"),
    [({"blue", "buzzer"}, ["lamps", "buzzer"]), ({"permit-welded"}, ["permit-drops"])],
)
def test_what_does_not_work_fails_the_shift_and_is_recorded(rig, settings, listener, broken, failed):
    """Exit code 1, the verdict by name, and the record says so too."""
    wait_until(lambda: listener.on("state"), what="the state")
    code, _out, err = checked(rig, settings, frozenset(broken))
    assert code == 1
    assert f"Not fit for the shift: {', '.join(failed)} failed. Tell the safety lead." in err
    assert [event["verdicts"] for event in recorded(rig)] == [{**OK, **dict.fromkeys(failed, "failed")}]
    assert recorded(rig)[0]["passed"] is False


def test_nothing_is_tried_while_a_step_runs(rig, settings, listener):
    """The check switches the extractor off; nobody's work is to be spoilt by that."""
    wait_until(lambda: listener.on("state"), what="the state")
    rig.do("book-in unit=SC-1 model=m", "start step=intake")
    code, out, err = checked(rig, settings)
    assert (code, out) == (1, "")
    assert "step 'intake' is running" in err
    assert not recorded(rig)


def test_station_that_is_not_there_is_told(broker, settings):
    """No prompts, no guess: one line, exit code 1, and what to look at."""
    with started(settings) as process:
        out, err = process.communicate(timeout=60)
    assert (process.returncode, out) == (1, b"")
    assert b"Nothing from station bench-1" in err
    assert b"benchward status" in err


def test_without_a_broker_the_reason_is_in_words(broker, settings):
    """The technician reads what to do, not a number of the operating system."""
    broker.end()
    with started(settings) as process:
        _out, err = process.communicate(timeout=60)
    assert process.returncode == 1
    assert b"No broker runs at that address. Start it, or correct host and port." in err
    assert b"Errno" not in err
