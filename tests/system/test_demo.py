"""The demo as a newcomer runs it: what it tells is there, and what is kept can be read afterwards."""

import json
import re
import subprocess
import sys

import pytest
from live import free_port

pytestmark = pytest.mark.system
DEMO = [sys.executable, "-m", "station", "demo", "--no-browser", "--speed", "60", "--minutes", "0.1"]


def test_short_demo_keeps_its_database(tmp_path):
    """Six simulated minutes: exit code 0, units told, and the same units in the file that was kept."""
    kept = tmp_path / "kept.db"
    command = [*DEMO, "--port", str(free_port()), "--keep", str(kept)]
    demo = subprocess.run(command, capture_output=True, text=True, timeout=90, check=False)
    assert demo.returncode == 0, demo.stdout + demo.stderr
    told = set(re.findall(r"^  (\S+) \(", demo.stdout, re.MULTILINE))
    assert told
    assert re.search(r"broker is at 127\.0\.0\.1:\d+ \(station bench-1\)", demo.stdout)
    units = [sys.executable, "-m", "station", "units", "--db", str(kept), "--format", "jsonl"]
    read = subprocess.run(units, capture_output=True, text=True, timeout=30, check=True)
    assert {json.loads(line)["unit"] for line in read.stdout.splitlines()} == told


def test_demo_does_not_write_over_a_file(tmp_path):
    """What is there already is refused before anything starts, and stays as it is."""
    kept = tmp_path / "kept.db"
    kept.write_text("mine")
    demo = subprocess.run(
        [*DEMO, "--keep", str(kept)], capture_output=True, text=True, timeout=30, check=False
    )
    assert (demo.returncode, kept.read_text()) == (2, "mine")
    assert "name a new file" in demo.stderr
