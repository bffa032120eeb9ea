"""The programs that may use the JSON interface, in the people's file.

A token is 256 random bits, shown once. What is kept is its SHA-256: nobody can guess such a token, so a slow
hash would protect nothing and cost every call.
"""

import hashlib
import re
import secrets
from pathlib import Path
from typing import NamedTuple

from sqlalchemy import select
from sqlalchemy.orm import Mapped, Session, mapped_column

from dashboard.access import Scope
from dashboard.people import Base, open_people
from shared.problems import InputError
from shared.requests import IDENTIFIER

PREFIX = "bench-"


class TokenRow(Base):
    """One program's token."""

    __tablename__ = "token"
    name: Mapped[str] = mapped_column(primary_key=True)
    scopes: Mapped[str]
    sha256: Mapped[str] = mapped_column(unique=True)


class Token(NamedTuple):
    """Whose token it is, and what it opens."""

    name: str
    scopes: frozenset[Scope]


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode("utf-8", "replace")).hexdigest()


class Tokens:
    """The tokens in a people's file; safe for any number of threads."""

    def __init__(self, path: Path) -> None:
        self._engine = open_people(path)

    def close(self) -> None:
        """Let go of the file."""
        self._engine.dispose()

    def add(self, name: str, scopes: frozenset[Scope]) -> str:
        """Make a token; what is returned is told nowhere else.

        Raises:
            InputError: the name is none or taken, or there is no scope.
        """
        if re.fullmatch(IDENTIFIER, name) is None:
            raise InputError(f"{name!r}: a name is 1 to 40 of letters, digits, '-', '_' and '.'.")
        if not scopes:
            raise InputError(f"{name}: name at least one scope of {', '.join(Scope)}.")
        secret = PREFIX + secrets.token_urlsafe(32)
        with Session(self._engine) as session, session.begin():
            if session.get(TokenRow, name) is not None:
                raise InputError(f"{name}: there is a token of this name; revoke it or choose another.")
            session.add(TokenRow(name=name, scopes=" ".join(sorted(scopes)), sha256=_digest(secret)))
        return secret

    def revoke(self, name: str) -> None:
        """Let a token open nothing any more.

        Raises:
            InputError: there is no token of this name.
        """
        with Session(self._engine) as session, session.begin():
            row = session.get(TokenRow, name)
            if row is None:
                raise InputError(f"{name}: there is no token of this name.")
            session.delete(row)

    def all(self) -> list[Token]:
        """All tokens by name."""
        with Session(self._engine) as session:
            return [_token(row) for row in session.scalars(select(TokenRow).order_by(TokenRow.name))]

    def holder(self, secret: str) -> Token | None:
        """Whose token this is, or None."""
        with Session(self._engine) as session:
            row = session.scalars(select(TokenRow).where(TokenRow.sha256 == _digest(secret))).first()
            return None if row is None else _token(row)


def _token(row: TokenRow) -> Token:
    return Token(row.name, frozenset(Scope(scope) for scope in row.scopes.split()))
