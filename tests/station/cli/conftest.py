"""A command line that is called in this process, and a database of three replayed traces."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from station.cli import main

TRACES = Path(__file__).parents[2] / "data" / "traces"
Call = Callable[..., Result]


def _call(*words: object) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


@pytest.fixture(scope="session")
def benchward() -> Call:
    """Calls the command line with these words."""
    return _call


@pytest.fixture(scope="session")
def traces() -> Path:
    """Where the recorded traces are."""
    return TRACES


@pytest.fixture(scope="session")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A database of three traces, replayed one after the other; tests only read it."""
    path = tmp_path_factory.mktemp("recorded") / "bench.db"
    for name, start in (
        ("fan-dies", ("--start", "2026-03-02T08:30:00Z")),
        ("open-thermocouple", ()),
        ("quiet-hour", ("--start", "2026-03-02T10:00:00+01:00")),
    ):
        result = _call("replay", TRACES / f"{name}.csv", "--db", path, *start)
        assert (result.exit_code, result.stderr) == (0, "")
    return path


@pytest.fixture(scope="session")
def lines() -> Callable[[Result], list[dict[str, Any]]]:
    """Reads what a command printed as JSON lines, and that it succeeded."""

    def read(result: Result) -> list[dict[str, Any]]:
        assert (result.exit_code, result.stderr) == (0, "")
        return [json.loads(line) for line in result.stdout.splitlines()]

    return read
