"""Who may read the broker's files on an installed station, before and after more is made among them.

Seen from outside: by stat, and by reading as the user that the programs run as. To reach a file in a
folder, its search permission is needed (path_resolution(7)).
"""

import os
import subprocess
from pathlib import Path

import pytest

MAKE = Path(__file__).parents[2] / "deploy" / "broker-files"
SERVICE = "nobody"  # in the place of the installed programs' user

pytestmark = pytest.mark.skipif(os.geteuid() != 0, reason="giving a file to another user wants root")


@pytest.fixture
def files(open_folder) -> Path:
    """The broker's files as the installer has them made."""
    make("--for", SERVICE, open_folder / "broker", "box.local")
    return open_folder / "broker"


def make(*words: str | Path) -> None:
    """Run the command."""
    done = subprocess.run([MAKE, *words], capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 0, done.stderr


def rights(folder: Path) -> dict[str, tuple[int, int, int]]:
    """Mode, owner and group of the folder and of all that lies in it."""
    found = {path: path.stat() for path in (folder, *sorted(folder.iterdir()))}
    return {path.name: (status.st_mode, status.st_uid, status.st_gid) for path, status in found.items()}


def readable(folder: Path) -> set[str]:
    """What the service's user can read there; it may not list the folder, so each is tried by name."""
    names = [path.name for path in folder.iterdir() if path.is_file()]
    cat = ["runuser", "-u", SERVICE, "--", "cat"]
    tried = {name: subprocess.run([*cat, folder / name], capture_output=True, check=False) for name in names}
    return {name for name, done in tried.items() if done.returncode == 0}


OPEN = {"ca.crt", "broker.crt", "bench-1.password", "dashboard.password", "collector.password"}


def test_the_service_reads_its_own_and_nothing_else(files):
    """Its passwords and the certificates: no keys, no other passwords, nor who may do what."""
    assert readable(files) == OPEN


@pytest.mark.parametrize(
    ("words", "more"),
    [
        ((), set()),
        (("--renew",), set()),
        (("bench-1", "bench-2"), {"bench-2.password"}),
        (("--renew", "bench-1", "bench-2"), {"bench-2.password"}),
    ],
)
def test_rights_are_as_before_when_it_is_run_again(files, words, more):
    """A new certificate, a station more: what was there keeps its rights, and can be read as before."""
    before = rights(files)
    options, stations = words[: words[:1] == ("--renew",)], words[words[:1] == ("--renew",) :]
    make(*options, files, "box.local", *stations)
    after = rights(files)
    assert set(after) - set(before) == more
    assert {name: after[name] for name in before} == before
    assert readable(files) == OPEN
    assert all(after[name][:2] == (0o100600, 0) for name in more)


@pytest.mark.parametrize("words", [(), ("--renew",)])
def test_no_station_comes_that_nobody_named(tmp_path, words):
    """The station has a name of its own: run again without any, and there is no user bench-1."""
    folder = tmp_path / "broker"
    make(folder, "box.local", "press-2")
    before = {path.name for path in folder.iterdir()}
    users = (folder / "passwords").read_text()
    make(*words, folder)
    assert {path.name for path in folder.iterdir()} == before
    assert (folder / "passwords").read_text() == users
    assert "bench-1" not in users + (folder / "acl").read_text()


def test_what_somebody_changed_stays_changed(files):
    """A certificate for a group alone, a folder for one more group: run again, and both are so still."""
    (files / "broker.crt").chmod(0o440)
    os.chown(files / "broker.key", 0, 1)
    files.chmod(0o755)
    before = rights(files)
    make("--renew", files)
    assert rights(files) == before


def test_a_folder_that_was_closed_to_the_service_is_opened_for_it(files):
    """Files from before, folder closed and passwords root's: the installer's call mends both."""
    files.chmod(0o750)
    os.chown(files / "bench-1.password", 0, 0)
    assert readable(files) == set()
    make("--for", SERVICE, files, "box.local", "bench-1")
    assert readable(files) == OPEN


def test_a_service_that_does_not_exist_is_refused(tmp_path):
    """Before anything is made; the message names it."""
    done = subprocess.run(
        [MAKE, "--for", "no-such-user", tmp_path / "broker"], capture_output=True, text=True, check=False
    )
    assert (done.returncode, "no-such-user" in done.stderr) == (2, True)
    assert not (tmp_path / "broker").exists()
