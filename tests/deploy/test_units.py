"""The service manager's own judgement of our units. Source: systemd-analyze(1), `verify` and `security`."""

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

UNITS = Path(__file__).parents[2] / "deploy" / "systemd"
SERVICES = sorted(path.name for path in UNITS.glob("*.service"))
PROGRAM = "/opt/benchward/current/bin/benchward"
# systemd-analyze(1): 0.0 is locked down, 10.0 open; our own bound.
MOST_EXPOSED = 2.0

pytestmark = pytest.mark.skipif(
    shutil.which("systemd-analyze") is None, reason="systemd-analyze is missing (Debian package systemd)"
)


def _analyze(*words: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["systemd-analyze", *words],
        cwd=cwd,
        env={**os.environ, "SYSTEMD_EMOJI": "0", "LC_ALL": "C.UTF-8"},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def _units_with_a_program(folder: Path) -> list[str]:
    """The units as they stand, but with a program that exists here in the place of the installed one."""
    for path in UNITS.iterdir():
        text = path.read_text("utf-8").replace(PROGRAM, sys.executable)
        (folder / path.name).write_text(text, "utf-8")
    return sorted(path.name for path in folder.iterdir())


def test_there_is_a_unit_for_every_program():
    """Station, pages, collector, and the nightly copy with its timer."""
    assert SERVICES == [
        "benchward-backup.service",
        "benchward-collector.service",
        "benchward-dashboard.service",
        "benchward-station.service",
    ]
    assert (UNITS / "benchward-backup.timer").exists()


def test_verify_finds_nothing(tmp_path):
    """Every directive is known and well formed: `systemd-analyze verify` has nothing to say."""
    units = _units_with_a_program(tmp_path)
    done = _analyze("verify", "--man=no", *(str(tmp_path / name) for name in units), cwd=tmp_path)
    ours = [line for line in (done.stdout + done.stderr).splitlines() if "benchward" in line]
    assert ours == []
    assert done.returncode == 0, done.stderr


def test_verify_would_find_a_mistyped_directive(tmp_path):
    """The check can fail: a directive that is none is told."""
    bad = tmp_path / "benchward-bad.service"
    bad.write_text("[Service]\nExecStart=/bin/true\nProtectEverything=yes\n", "utf-8")
    done = _analyze("verify", "--man=no", str(bad), cwd=tmp_path)
    assert "ProtectEverything" in done.stderr


@pytest.mark.parametrize("name", SERVICES)
def test_exposure_is_low(name, tmp_path):
    """`systemd-analyze security` puts each service at 2.0 or below."""
    done = _analyze("security", "--offline=true", "--no-pager", str(UNITS / name), cwd=tmp_path)
    told = re.search(r"Overall exposure level for \S+: (\d+\.\d+)", done.stdout)
    assert told is not None, done.stdout + done.stderr
    assert float(told[1]) <= MOST_EXPOSED
