"""The command line that the installer puts there: as root it may use the wires, as the station's unit may.

Groups and environment of a unit: systemd.exec(5). That the wires' library wants a writable folder, named by
LG_WD, is seen with the library itself.
"""

import grp
import os
import subprocess
import sys
from pathlib import Path

import pytest

DEPLOY = Path(__file__).parents[2] / "deploy"
UNIT = DEPLOY / "systemd" / "benchward-station.service"
ASKED = """\
import grp, os, sys
print(*sorted({grp.getgrgid(number).gr_name for number in os.getgroups()}))
print(os.environ["LG_WD"], os.environ["GPIOZERO_PIN_FACTORY"])
print(os.geteuid(), *sys.argv[1:], sep="|")
"""

# Others may run this one, whatever the tests themselves run in.
PYTHON = "/usr/bin/python3"
as_root = pytest.mark.skipif(
    os.geteuid() != 0 or not os.path.exists(PYTHON),
    reason=f"becoming another user wants root, and a program for it {PYTHON}",
)


def unit_says(key: str) -> list[str]:
    """The words that the station's unit gives a key."""
    lines = UNIT.read_text("utf-8").splitlines()
    return [word for line in lines if line.startswith(f"{key}=") for word in line.partition("=")[2].split()]


def command(unit: Path, *words: str) -> str:
    """The text of the command for a unit, with these assignments before it is made."""
    script = (
        f'set -euo pipefail; . "{DEPLOY}/installing.sh"; {"; ".join(words) or ":"}; command_text "{unit}"'
    )
    return subprocess.run(
        ["bash", "-c", script], capture_output=True, text=True, check=True, timeout=30
    ).stdout


@pytest.fixture
def bench(open_folder):
    """Runs the command as `nobody` from a closed folder, with a program in the place of the installed one."""

    def run(
        program: str, *arguments: str, groups: str = "", **environment: str
    ) -> subprocess.CompletedProcess:
        unit = open_folder / "unit.service"
        text = UNIT.read_text("utf-8").replace("LG_WD=/run/benchward", f"LG_WD={open_folder}/wires")
        there = f"SupplementaryGroups={' '.join(unit_says('SupplementaryGroups'))}"
        assert there in text
        unit.write_text(text.replace(there, f"SupplementaryGroups={groups}"), "utf-8")
        installed = open_folder / "current" / "bin" / "benchward"
        installed.parent.mkdir(parents=True, exist_ok=True)
        installed.write_text(f"#!{PYTHON}\n{program}", "utf-8")
        installed.chmod(0o755)
        wrapper = open_folder / "benchward"
        wrapper.write_text(command(unit, f"opt={open_folder}", "account=nobody", "etc=/bench"), "utf-8")
        return subprocess.run(
            ["/bin/sh", wrapper, *arguments], cwd="/proc", env={**os.environ, **environment},
            capture_output=True, text=True, timeout=60, check=False,
        )  # fmt: skip

    return run


def test_the_command_has_the_units_groups_and_environment():
    """Every group and variable of the unit stands in the command, and no other; the user is the same."""
    text = command(UNIT)
    (groups,) = [line for line in text.splitlines() if line.startswith("for group in ")]
    assert groups.removeprefix("for group in ").removesuffix("; do").split() == unit_says(
        "SupplementaryGroups"
    )
    (last,) = [line for line in text.splitlines() if line.startswith("exec env ")]
    given = last.removeprefix("exec env ").partition(" runuser ")
    assert given[0].split() == unit_says("Environment")
    assert "-u benchward" in given[2]
    assert unit_says("User") == ["benchward"]
    assert any(word.startswith("LG_WD=") for word in given[0].split())
    assert unit_says("SupplementaryGroups") == ["gpio", "spi"]


@as_root
def test_it_runs_with_the_groups_that_exist(bench, open_folder):
    """Of three groups one does not exist: the program is in the other two and in its user's own."""
    done = bench(ASKED, "check", "--by", "S 1", groups="adm no-such-group dialout")
    assert done.returncode == 0, done.stderr
    groups, environment, arguments = done.stdout.splitlines()
    nobody = grp.getgrgid(65534).gr_name
    assert set(groups.split()) == {"adm", "dialout", nobody}
    assert environment.split() == [f"{open_folder}/wires", "lgpio"]
    assert arguments == "65534|--settings|/bench/station.toml|check|--by|S 1"


@as_root
def test_the_folder_of_the_wires_is_made_where_the_station_is_stopped(bench, open_folder):
    """It is the user's; one that is there stays as it is; without the groups the command runs as well."""
    assert bench("open(__import__('os').environ['LG_WD'] + '/x', 'w')").returncode == 0
    folder = open_folder / "wires"
    assert (folder.stat().st_uid, folder.stat().st_mode & 0o777) == (65534, 0o750)
    folder.chmod(0o700)
    assert bench("open(__import__('os').environ['LG_WD'] + '/y', 'w')").returncode == 0
    assert folder.stat().st_mode & 0o777 == 0o700
    assert {path.name for path in folder.iterdir()} == {"x", "y"}


@as_root
def test_its_exit_code_is_the_programs(bench):
    """Wrong use is told by the program's own code."""
    assert bench("raise SystemExit(2)").returncode == 2


@pytest.mark.system
@as_root
def test_the_library_of_the_pins_can_be_imported(bench, open_folder):
    """From a folder where it may not write; without LG_WD the import fails, so that the check can fail."""
    got = subprocess.run(
        [
            sys.executable, "-m", "pip", "--python", PYTHON, "install", "--quiet",
            "--disable-pip-version-check", "--no-deps",
            "--only-binary", ":all:", "--retries", "1", "--target",
            str(open_folder / "library"), "lgpio>=0.2.2.0",
        ],
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    if got.returncode:
        pytest.skip(
            "no wheel of lgpio can be had here: whether its import works by the command was not tried"
        )
    library = str(open_folder / "library")
    without = "import os; del os.environ['LG_WD']; import lgpio"
    failed = bench(without, PYTHONPATH=library)
    assert failed.returncode == 1
    assert ".lgd-nfy" in failed.stderr
    done = bench("import lgpio; print('imported')", PYTHONPATH=library)
    assert (done.returncode, done.stdout) == (0, "imported\n"), done.stderr
