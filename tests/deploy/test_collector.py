"""Who collects into PostgreSQL gets its driver: installed, and again by every upgrade.

Pip's words: its documentation, "Secure installs" (`--require-hashes`) and "Finding packages" (`--no-index`).
"""

import subprocess
from pathlib import Path

import pytest

DEPLOY = Path(__file__).parents[2] / "deploy"


@pytest.fixture
def installer(tmp_path):
    """Calls functions of the installer on a machine whose folders lie elsewhere: exit code and output."""
    (tmp_path / "etc").mkdir()

    def call(words: str) -> tuple[int, str]:
        folders = f'etc="{tmp_path}/etc" opt="{tmp_path}/opt"'
        script = f'set -euo pipefail; . "{DEPLOY}/installing.sh"; {folders}; {words}'
        done = subprocess.run(["bash", "-c", script], capture_output=True, text=True, check=False, timeout=60)
        return done.returncode, done.stdout + done.stderr

    return call


@pytest.mark.parametrize(
    ("told", "stands", "wanted"),
    [
        ("", None, False),
        ("postgresql://u@h/n", None, True),
        ("sqlite:////var/lib/benchward/collected.db", None, False),
        ("", "COLLECT_TO=postgresql://u@h/n\n", True),
        ("", 'BROKER=h:8883\nCOLLECT_TO="postgresql://u@h/n"\n', True),
        ("", "COLLECT_TO=sqlite:////f.db\n", False),
        ("", "# COLLECT_TO=postgresql://u@h/n\n", False),
        ("sqlite:////f.db", "COLLECT_TO=postgresql://u@h/n\n", False),
    ],
)
def test_it_is_wanted_where_a_collector_writes_there(installer, tmp_path, told, stands, wanted):
    """By what the call says, else by what an earlier one left: an upgrade says nothing."""
    if stands is not None:
        (tmp_path / "etc" / "collector.env").write_text(stands)
    assert installer(f'collect_to="{told}"; wants_postgres') == (0 if wanted else 1, "")


def test_the_driver_comes_by_hash_into_a_release_that_is_there(installer, tmp_path):
    """From the index, or from a folder; a release that has it is left alone."""
    release = tmp_path / "opt" / "releases" / "r"
    release.mkdir(parents=True)
    code, told = installer("dry=1; add_postgres r")
    assert code == 0
    assert f"--require-hashes -r {DEPLOY}/lock-collect.txt" in told
    assert f"touch {release}/collects" in told
    code, told = installer("dry=1 wheels=/media/stick; add_postgres r")
    assert "--no-index --find-links /media/stick --require-hashes -r /media/stick/lock-collect.txt" in told
    (release / "collects").touch()
    assert installer("dry=1; add_postgres r") == (0, "")


def test_a_folder_of_packages_without_the_driver_is_refused(installer, tmp_path):
    """Before anything is changed, and it says how the folder is made."""
    (tmp_path / "lock.txt").touch()
    assert installer(f'wheels="{tmp_path}"; need_wheels') == (0, "")
    code, told = installer(f'wheels="{tmp_path}" collect_to=postgresql://u@h/n; need_wheels')
    assert (code, "deploy/wheels --collect" in told) == (2, True)
    (tmp_path / "lock-collect.txt").touch()
    assert installer(f'wheels="{tmp_path}" collect_to=postgresql://u@h/n; need_wheels') == (0, "")


@pytest.mark.parametrize("url", ["postgres://u@h/n", "postgresql://", "mysql://u@h/n", "sqlite:///", "f.db"])
def test_a_database_that_is_none_is_refused_at_once(url):
    """Wrong use, with the value and what would be right; as nobody in particular."""
    done = subprocess.run(
        [DEPLOY / "install", "--dry-run", "--collect-to", url], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert f"'{url}'" in done.stderr
    assert "postgresql://USER@HOST/NAME" in done.stderr
