"""What the installer puts beside Debian's configuration of Mosquitto: the broker starts with both."""

import os
import shutil
import subprocess
from pathlib import Path

import pytest
from live import free_port, wait_until

DEPLOY = Path(__file__).parents[2] / "deploy"
# As Debian's package has it, with a folder of the test's own.
DEBIAN = "persistence true\npersistence_location {place}/state/\ninclude_dir {place}/conf.d\n"

pytestmark = pytest.mark.skipif(os.geteuid() != 0, reason="giving files to another user wants root")


@pytest.fixture
def place(open_folder: Path) -> Path:
    """The broker's files, and a configuration that includes what is beside it."""
    for folder in ("conf.d", "state"):
        (open_folder / folder).mkdir()
        (open_folder / folder).chmod(0o777)
    make = [DEPLOY / "broker-files", open_folder / "broker", "localhost"]
    subprocess.run(make, capture_output=True, check=True, timeout=60)
    (open_folder / "mosquitto.conf").write_text(DEBIAN.format(place=open_folder))
    return open_folder


def part(place: Path) -> str:
    """What the installer puts beside it."""
    script = f'. "{DEPLOY}/installing.sh"; broker_part {place}/broker/mosquitto.conf {place}/mosquitto.conf'
    done = subprocess.run(["bash", "-c", script], capture_output=True, text=True, check=True, timeout=30)
    return done.stdout


def test_the_broker_starts_with_both(place):
    """A real Mosquitto, which runs only when it has taken the whole of its configuration."""
    program = shutil.which("mosquitto", path=os.environ["PATH"] + ":/usr/sbin")
    assert program is not None, "mosquitto is not installed: apt-get install mosquitto"
    port = free_port()
    text = part(place)
    lines = [f"listener {port}" if line.startswith("listener") else line for line in text.splitlines()]
    (place / "conf.d" / "benchward.conf").write_text("\n".join(lines) + "\n")
    log = place / "log"
    with log.open("wb") as output:
        broker = subprocess.Popen(
            [program, "-v", "-c", place / "mosquitto.conf"], stdout=output, stderr=output
        )
    try:
        wait_until(lambda: "running" in log.read_text() or broker.poll() is not None, what="the broker")
        assert broker.poll() is None, log.read_text()
    finally:
        broker.kill()
        broker.wait(10)


def test_without_a_configuration_that_keeps_state_all_of_it_is_taken(place):
    """On a machine whose main file says nothing of it, ours does."""
    (place / "mosquitto.conf").write_text("include_dir /etc/mosquitto/conf.d\n")
    assert part(place) == (place / "broker" / "mosquitto.conf").read_text()
