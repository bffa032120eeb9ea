"""Who may sign in, said at the command line: what is written, what is refused, what is never kept."""

from pathlib import Path

import pytest
from click.testing import CliRunner

from dashboard.people_commands import user
from shared.problems import InputError


def run(path: Path, *words: str, typed: str = ""):
    """Run ``benchward user`` on a file, with errors let through."""
    return CliRunner().invoke(user, [*words, "--people", str(path)], input=typed, catch_exceptions=False)


def test_user_is_added_listed_and_removed(tmp_path: Path) -> None:
    """The whole life of a person; the PIN is neither shown nor in the file."""
    path = tmp_path / "people.db"
    added = run(path, "add", "t-04", "--role", "technician", "--pin", typed="739154\n739154\n")
    assert added.exit_code == 0
    assert "739154" not in added.output
    assert b"739154" not in path.read_bytes()
    assert run(path, "list").output == "t-04\ttechnician\n"
    run(path, "remove", "t-04")
    assert run(path, "list").output == ""


@pytest.mark.parametrize(("name", "typed"), [("t 04", "long enough"), ("t-04", "short")])
def test_user_is_refused(tmp_path: Path, name: str, typed: str) -> None:
    """A bad name or a weak password is refused and nobody is written."""
    path = tmp_path / "people.db"
    with pytest.raises(InputError, match=name):
        run(path, "add", name, "--role", "safety-lead", "--password-stdin", typed=typed + "\n")
    assert run(path, "list").output == ""
