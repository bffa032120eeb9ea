"""The name of an installed station: chosen once, by the rules of an identifier, and kept.

What may name a station is `shared.requests.is_identifier`; the roles are those of `deploy/broker-files`.
"""

import re
import subprocess
from pathlib import Path

import pytest

from shared.requests import is_identifier
from station.settings import load_settings

DEPLOY = Path(__file__).parents[2] / "deploy"
LONGEST = "b" * 40


@pytest.fixture
def installer(tmp_path):
    """Calls functions of the installer with the settings elsewhere: exit code, output, errors."""
    (tmp_path / "etc").mkdir()

    def call(words: str) -> tuple[int, str, str]:
        script = f'set -euo pipefail; . "{DEPLOY}/installing.sh"; etc="{tmp_path}/etc"; {words}'
        done = subprocess.run(["bash", "-c", script], capture_output=True, text=True, check=False, timeout=60)
        return done.returncode, done.stdout, done.stderr

    return call


@pytest.mark.parametrize("name", ["bench-1", "B.2_x", "7", "_a", LONGEST])
def test_what_may_name_a_station(installer, name):
    """An identifier; the settings made for it are whole, and name its user and its own password."""
    assert is_identifier(name)
    assert installer(f"may_be_station '{name}'")[0] == 0
    code, text, _ = installer(f'settings_text \'{name}\' >"$etc/station.toml"; cat "$etc/station.toml"')
    assert code == 0
    path = Path(re.findall(r'password_file = "(.*)/broker/', text)[0]) / "station.toml"
    settings = load_settings(path)
    assert (settings.station.id, settings.broker.user) == (name, name)
    assert settings.broker.password_file == f"{path.parent}/broker/{name}.password"
    assert installer("which_station ''") == (0, name, "")


@pytest.mark.parametrize(
    "name",
    ["", "bench 1", "a/b", "#", "+", "-x", LONGEST + "b", "ä", "a\nb", "dashboard", "job-system", "answers"],
)
def test_what_may_not(name):
    """No identifier, an option, or the name of a role or topic: wrong use, before anything is looked at."""
    done = subprocess.run(
        [DEPLOY / "install", "--dry-run", "--station", name], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert f"--station '{name}' is no station id" in done.stderr
    assert done.stdout == ""


def test_the_roles_are_those_of_the_broker(tmp_path):
    """Every role that the broker's files know is taken."""
    subprocess.run([DEPLOY / "broker-files", tmp_path / "broker"], check=True, capture_output=True)
    users = re.findall(r"(?m)^user (.*)$", (tmp_path / "broker" / "acl").read_text())
    assert set(users) - {"bench-1"} == {"dashboard", "job-system", "collector"}
    script = f'. "{DEPLOY}/installing.sh"; printf %s "$taken_names"'
    taken = subprocess.run(["bash", "-c", script], capture_output=True, text=True, check=True).stdout.split()
    assert set(taken) == {*users, "answers"} - {"bench-1"}


def test_a_new_machine_gets_the_name_it_is_told(installer):
    """Or bench-1."""
    assert installer("which_station bench-7") == (0, "bench-7", "")
    assert installer("which_station ''") == (0, "bench-1", "")


@pytest.mark.parametrize(
    ("settings", "there"),
    [
        ('[station]\nid = "bench-3"\n', "bench-3"),
        ("[broker]\nid='x'\n[station]  # ours\nid='bench-3'\n", "bench-3"),
        ("station.id = 'bench-3'", "bench-3"),
        ("[journal]\npath = 'x.db'\n", "bench-1"),
    ],
)
def test_an_installed_station_keeps_its_name(installer, tmp_path, settings, there):
    """Not asked, or asked for the same: as it is. Another is refused, with both names and the way out."""
    (tmp_path / "etc" / "station.toml").write_text(settings)
    assert installer("which_station ''") == (0, there, "")
    assert installer(f"which_station {there}") == (0, there, "")
    code, told, why = installer('station="$(which_station bench-9)"; echo went on')
    assert (code, told) == (2, "")
    for word in (f"'{there}'", "'bench-9'", "deploy/uninstall"):
        assert word in why


def test_settings_that_cannot_be_read_are_no_new_station(installer, tmp_path):
    """Half a file: it is told, and nothing is guessed."""
    (tmp_path / "etc" / "station.toml").write_text("[station\n")
    code, told, why = installer('station="$(which_station bench-9)"; echo went on')
    assert (code, told) == (1, "")
    assert "station.toml: could not be read" in why
