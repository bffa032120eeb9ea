"""The chart library on an installed bench: brought in by its hash, and no part of the release's name.

The hash is the one that the npm registry gives for the archive (`dist.integrity`, W3C's SRI).
"""

import os
import shutil
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
LIBRARY = ROOT / "deploy" / "chart-library"
FILES = {"uplot-1.6.32.js", "uplot-1.6.32.css", "uplot-LICENSE"}


def run(*words: str | Path, umask: int = 0o022) -> subprocess.CompletedProcess[str]:
    """Run the command."""
    return subprocess.run(
        [LIBRARY, *words], capture_output=True, text=True, check=False, timeout=120, umask=umask
    )


def installer(words: str) -> tuple[int, str]:
    """Call functions of the installer; exit code and output."""
    script = f'set -euo pipefail; . "{ROOT}/deploy/installing.sh"; {words}'
    done = subprocess.run(["bash", "-c", script], capture_output=True, text=True, check=False, timeout=120)
    return done.returncode, done.stdout + done.stderr


@pytest.fixture(scope="module")
def gathered(tmp_path_factory) -> Path:
    """A folder with the archive, as for a bench without a network."""
    folder = tmp_path_factory.mktemp("gathered")
    assert run("--gather", folder).returncode == 0
    if not list(folder.glob("*.tgz")):
        pytest.skip("the npm registry does not answer: the chart library was not tried")
    return folder


@pytest.fixture
def handed_out(tmp_path) -> Path:
    """A copy of what makes up a release."""
    for part in ("station", "dashboard", "shared"):
        skip = shutil.ignore_patterns("__pycache__", "vendor")
        shutil.copytree(ROOT / part, tmp_path / "handed" / part, ignore=skip)
    (tmp_path / "handed" / "deploy").mkdir()
    for name in ("pyproject.toml", "deploy/lock.txt", "deploy/lock-collect.txt"):
        shutil.copy(ROOT / name, tmp_path / "handed" / name)
    return tmp_path / "handed"


def test_its_presence_does_not_change_the_name_of_a_release(handed_out):
    """With it or without: the same name; any other file among the pages' own makes another."""
    before = installer(f'project="{handed_out}"; release_of')
    vendor = handed_out / "dashboard" / "static" / "vendor"
    vendor.mkdir()
    (vendor / "uplot-1.6.32.js").write_text("x")
    assert installer(f'project="{handed_out}"; release_of') == before
    (vendor.parent / "more.js").write_text("x")
    assert installer(f'project="{handed_out}"; release_of') != before
    assert before[0] == 0


def test_without_a_network_it_comes_from_the_gathered_archive(gathered, tmp_path):
    """Into the release that is there, for everybody to read whatever the mask; once."""
    package = tmp_path / "opt" / "releases" / "r" / "lib" / "python3.11" / "site-packages" / "dashboard"
    package.mkdir(parents=True)
    words = f'umask 077; opt="{tmp_path}/opt" wheels="{gathered}"; need_chart_library r'
    code, told = installer(words)
    assert code == 0
    vendor = package / "static" / "vendor"
    assert str(vendor) in told
    assert {path.name for path in vendor.iterdir()} == FILES
    assert {path.stat().st_mode & 0o777 for path in vendor.iterdir()} == {0o644}
    assert vendor.stat().st_mode & 0o777 == 0o755
    assert installer(words) == (0, "")


def test_an_archive_that_is_another_is_refused(gathered, tmp_path):
    """One byte more: nothing is brought in, and the installer goes on without."""
    (tmp_path / "stick").mkdir()
    for archive in gathered.iterdir():
        (tmp_path / "stick" / archive.name).write_bytes(archive.read_bytes() + b"\0")
    done = run("--from", tmp_path / "stick", tmp_path / "vendor")
    assert (done.returncode, "is not what it was" in done.stderr) == (1, True)
    assert not (tmp_path / "vendor").exists()
    code, told = installer(f'opt="{tmp_path}/opt" wheels="{tmp_path}/stick"; need_chart_library r')
    assert (code, "without zoom" in told) == (0, True)


def test_without_it_the_installer_goes_on(tmp_path):
    """A folder of packages that holds none: said, and no fault."""
    code, told = installer(f'opt="{tmp_path}/opt" wheels="{tmp_path}"; need_chart_library r')
    assert (code, "curves without zoom" in told) == (0, True)
    assert not (tmp_path / "opt").exists()


def test_a_machine_without_npm_asks_the_registry_itself(tmp_path):
    """A bench has no npm: either the library comes, or it is said that nobody answers; never a fault."""
    tools = tmp_path / "bin"
    tools.mkdir()
    for name in (
        "bash",
        "env",
        "python3",
        "openssl",
        "base64",
        "tar",
        "gzip",
        "mktemp",
        "rm",
        "install",
        "dirname",
    ):
        found = shutil.which(name)
        assert found is not None
        (tools / name).symlink_to(found)
    done = subprocess.run(
        [LIBRARY, tmp_path / "vendor"], env={"PATH": str(tools), "HOME": os.environ.get("HOME", "/")},
        capture_output=True, text=True, check=False, timeout=120,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    came = (tmp_path / "vendor").exists()
    assert came != ("does not answer" in done.stderr)
