"""The locks: whole, agreeing with each other, and to be had for a 64-bit Pi without a compiler."""

import re
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import NamedTuple

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parents[2]
LOCKS = {name: ROOT / "deploy" / f"{name}.txt" for name in ("lock", "lock-collect", "lock-test")}
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
# The Pythons of Debian 12 and 13, and so of Raspberry Pi OS, with their C library's version.
# Source: packages.debian.org, python3 and libc6 in bookworm and trixie.
SYSTEMS = {"3.11": 36, "3.13": 41}
# PEP 600: a wheel is for every C library from the one it names; 2.17 is the oldest there is for aarch64.
OLDEST_LIBC = 17


class Pin(NamedTuple):
    """One locked package."""

    requirement: Requirement
    hashes: list[str]


def _pins(lock: Path) -> dict[str, Pin]:
    """Every package of a lock by its canonical name; each line must be one.

    Source: pip's documentation, "Requirements File Format" and "Secure installs".
    """
    logical = re.sub(r"\\\n\s*", " ", lock.read_text("utf-8"))
    lines = [line.strip() for line in logical.splitlines()]
    pins: dict[str, Pin] = {}
    for line in filter(lambda line: line and not line.startswith("#"), lines):
        wanted, *hashes = re.split(r"\s+--hash=", line)
        requirement = Requirement(wanted)
        name = canonicalize_name(requirement.name)
        assert name not in pins, f"{lock.name} holds {name} twice."
        pins[name] = Pin(requirement, hashes)
    return pins


@pytest.mark.parametrize("lock", LOCKS.values(), ids=LOCKS)
def test_every_line_is_one_version_with_its_hashes(lock):
    """An exact version and SHA-256 sums on each; nothing of the machine it was made on (indexes, folders)."""
    pins = _pins(lock)
    assert pins
    for name, pin in pins.items():
        (specifier,) = pin.requirement.specifier
        assert specifier.operator == "==", f"{lock.name}: {name} is not pinned."
        assert pin.requirement.url is None, f"{lock.name}: {name} comes from an address of its own."
        assert pin.hashes, f"{lock.name}: {name} has no hashes."
        for text in pin.hashes:
            assert re.fullmatch(r"sha256:[0-9a-f]{64}", text), f"{lock.name}: {name}: {text!r} is no SHA-256."


@pytest.mark.parametrize(
    ("lock", "extra"), [("lock", None), ("lock-collect", "collect"), ("lock-test", "test")]
)
def test_a_lock_covers_what_the_project_asks_for(lock, extra):
    """Every dependency of pyproject.toml, in a version that it allows."""
    pins = _pins(LOCKS[lock])
    wanted = [*PROJECT["dependencies"], *(PROJECT["optional-dependencies"][extra] if extra else [])]
    assert wanted
    for text in wanted:
        requirement = Requirement(text)
        name = canonicalize_name(requirement.name)
        assert name in pins, f"{lock}.txt holds no {name}: make it anew with deploy/locks."
        (specifier,) = pins[name].requirement.specifier
        assert requirement.specifier.contains(specifier.version, prereleases=True), (
            f"{lock}.txt has {name} {specifier.version}, and pyproject.toml wants {text}."
        )


def test_the_tests_run_on_what_the_station_runs_on():
    """The test lock holds all of the others, line for line, but for what other systems want of them."""
    to_run, to_collect, to_test = (_pins(lock) for lock in LOCKS.values())
    assert {name: to_collect.get(name) for name in to_run} == to_run
    here = {name: pin for name, pin in to_collect.items() if _wanted_here(pin)}
    assert {name: to_test.get(name) for name in here} == here
    assert {"psycopg", "psycopg-binary"} <= set(here) - set(to_run)


def _wanted_here(pin: Pin) -> bool:
    return pin.requirement.marker is None or pin.requirement.marker.evaluate()


def test_the_library_of_the_pins_comes_from_debian():
    """`lgpio` is in no lock: deploy/install takes Debian's, and two would shadow each other."""
    assert all("lgpio" not in _pins(lock) for lock in LOCKS.values())


@pytest.mark.system
@pytest.mark.parametrize("lock", ["lock", "lock-collect"])
@pytest.mark.parametrize("python", SYSTEMS)
def test_a_64_bit_pi_needs_no_compiler(tmp_path, python, lock):
    """Pip, told of a Pi, takes a wheel of every locked package, by the lock's hashes. Asks the index."""
    libc = [f"manylinux_2_{minor}_aarch64" for minor in range(OLDEST_LIBC, SYSTEMS[python] + 1)]
    platforms = [word for tag in (*libc, "manylinux2014_aarch64") for word in ("--platform", tag)]
    told = subprocess.run(
        [
            sys.executable, "-m", "pip", "install", "--dry-run", "--quiet", "--disable-pip-version-check",
            "--no-deps", "--only-binary", ":all:", *platforms, "--python-version", python,
            "--implementation", "cp", "--target", str(tmp_path), "--retries", "1",
            "--require-hashes", "-r", str(LOCKS[lock]),
        ],
        capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
    # pip's words when the name of the index is not resolved or nobody answers there.
    silent = re.search(
        r"Failed to establish a new connection|NewConnectionError|Max retries exceeded", told.stderr
    )
    if told.returncode and silent:
        pytest.skip("The package index does not answer: whether every package has a wheel was not looked up.")
    assert told.returncode == 0, told.stderr
