"""`benchward status` beside a real station: running, unheard, hanging, killed, stopped in order."""

import json
import signal
import subprocess
import sys
import time

import pytest
from live import wait_until

pytestmark = pytest.mark.system


def status(station, *options: str) -> subprocess.CompletedProcess[str]:
    """What the command says."""
    command = [sys.executable, *station.program, "--settings", str(station.settings), "status", *options]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)


def test_running_bench_is_told_with_exit_code_0(broker, station, listener):
    """Alive, nothing wrong, and the numbers that the broker has too.

    A current switch speaks for the extractor: a transformer's window may miss samples on a machine that is
    busy, and that is wrong then.
    """
    with station.settings.open("a") as settings:
        settings.write('[wires.extraction]\nkind = "contact"\n')
    station.start()
    wait_until(lambda: len(listener.on("state")) > 2, what="the state")
    said = status(station)
    assert said.returncode == 0, said.stdout + said.stderr
    lines = said.stdout.splitlines()
    assert lines[0].startswith("bench-1 runs; its clock says 20")
    assert "  Nothing is wrong." in lines
    assert any(line.startswith("  extraction  not proven for ") for line in lines)
    assert any("Not commissioned" in line for line in lines)
    told = json.loads(status(station, "--format", "json").stdout)
    assert (told["runs"], told["wrong"], told["state"]["station"]) == (True, [], "bench-1")


def test_unheard_station_runs_all_the_same(broker, station, listener):
    """Without a broker the journal shows that it works; that nobody hears it is wrong."""
    station.start()
    wait_until(lambda: len(listener.on("readings")) > 1, what="readings")
    broker.end(signal.SIGKILL)
    said = status(station)
    assert said.returncode == 1
    assert said.stdout.splitlines()[0] == "bench-1 runs, but nothing of it is heard at the broker."
    assert f"WRONG     Broker 127.0.0.1:{broker.port}: No broker runs at that address." in said.stdout


def test_hanging_station_is_found_out(broker, station, listener):
    """Stopped in its tracks: the broker still believes in it, the journal does not grow."""
    station.start()
    wait_until(lambda: len(listener.on("readings")) > 1, what="readings")
    station.process.send_signal(signal.SIGSTOP)
    try:
        time.sleep(1)
        said = status(station)
    finally:
        station.process.send_signal(signal.SIGCONT)
    assert said.returncode == 1
    first = said.stdout.splitlines()[0]
    assert first.startswith(f"bench-1 HANGS: process {station.process.pid} (")
    assert "do        Unplug the iron until the station runs." in said.stdout
    assert "do not trust its light or its pages" in said.stderr


@pytest.mark.parametrize(("number", "cut"), [(signal.SIGKILL, True), (signal.SIGTERM, False)])
def test_stopped_station_is_told_from_its_record(broker, station, listener, number, cut):
    """What was in hand, how it ended, how to start it; a kill is told from an orderly end."""
    station.start()
    wait_until(lambda: len(listener.on("readings")) > 1, what="readings")
    listener.client.publish("benchward/v1/bench-1/requests", b"book-in unit=ST-1 model=m", qos=1)
    wait_until(lambda: listener.on("state")[-1]["unit"] == "ST-1", what="the unit")
    station.end(number)
    said = status(station)
    assert said.returncode == 1
    assert said.stdout.splitlines()[0] == "bench-1 DOES NOT RUN: nothing watches the bench."
    assert ("The last run was cut off" in said.stdout) is cut
    assert ("it was stopped in order" in said.stdout) is not cut
    assert ("Unplug the iron" in said.stdout) is cut
    assert "do        Start it: sudo systemctl start benchward-station, or benchward run." in said.stdout
    assert "  in hand     unit ST-1" in said.stdout
    broker.end()
    assert status(station).stdout.splitlines()[0] == "bench-1 DOES NOT RUN: nothing watches the bench."


def test_nothing_ever_ran_here(broker, station):
    """No record, no word at the broker."""
    said = status(station)
    assert (said.returncode, "nothing was ever heard of it" in said.stdout) == (1, True)
