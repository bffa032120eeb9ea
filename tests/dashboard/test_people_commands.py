"""Who may sign in, said at the command line: what is written, what is refused, what is never kept."""

from pathlib import Path

import pytest
from click.testing import CliRunner
from sqlalchemy.orm import Session

from dashboard.access import Role, Scope
from dashboard.people import People, PersonRow, hashed
from dashboard.people_commands import token, user
from dashboard.tokens import Tokens
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


@pytest.mark.parametrize("pin", ["2604", "26040", "26040x", "\u0662\u0666\u0660\u0664\u0660\u0660"])
def test_a_pin_that_is_soon_guessed_is_refused_with_the_reason(tmp_path: Path, pin: str) -> None:
    """Six digits of the plain ones; nobody is written, and the PIN is not repeated."""
    path = tmp_path / "people.db"
    with pytest.raises(InputError, match=r"at least 6 digits.*every device on the bench's network") as told:
        run(path, "add", "t-04", "--role", "technician", "--pin", typed=f"{pin}\n{pin}\n")
    assert pin not in str(told.value)
    assert run(path, "list").output == ""


def test_a_pin_of_four_digits_from_before_is_still_good(tmp_path: Path) -> None:
    """Nobody is shut out by an update: only new ones are longer."""
    people = People(tmp_path / "people.db")
    people.add("t-04", Role.TECHNICIAN, pin="260400")
    with Session(people._engine) as session, session.begin():
        session.get(PersonRow, "t-04").pin_hash = hashed("2604")
    assert people.admitted("t-04", "2604", at_bench=True) is not None
    people.close()


def run_token(path: Path, *words: str):
    """Run ``benchward token`` on a file."""
    return CliRunner().invoke(token, [*words, "--people", str(path)], catch_exceptions=False)


def test_token_is_added_listed_and_revoked(tmp_path: Path) -> None:
    """Printed once, alone on standard output; never listed, never in the file; good until revoked."""
    path = tmp_path / "people.db"
    secret = run_token(path, "add", "jobs", "--scope", "read", "--scope", "request").stdout.strip()
    assert len(secret) > 40
    assert run_token(path, "list").output == "jobs\tread request\n"
    assert all(secret.encode() not in file.read_bytes() for file in tmp_path.iterdir())
    assert path.stat().st_mode & 0o077 == 0
    tokens = Tokens(path)
    assert tokens.holder(secret) == ("jobs", frozenset(Scope))
    with pytest.raises(InputError, match="jobs: there is a token"):
        run_token(path, "add", "jobs", "--scope", "read")
    run_token(path, "revoke", "jobs")
    assert tokens.holder(secret) is None
    tokens.close()
    with pytest.raises(InputError, match="no token of this name"):
        run_token(path, "revoke", "jobs")


def test_file_that_is_none_of_ours_is_refused(tmp_path: Path) -> None:
    """A file that is no database is named and left as it is."""
    path = tmp_path / "notes.txt"
    path.write_text("not a database, but quite long enough to be looked at as one" * 40)
    before = path.read_bytes()
    with pytest.raises(InputError, match=r"notes\.txt"):
        run(path, "list")
    assert path.read_bytes() == before
