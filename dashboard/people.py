"""The people who may sign in: a small SQLite file of the dashboard's own, beside the station's journal.

Secrets (a password, or a PIN for the bench) are kept as scrypt hashes of 16 MiB each, one at a time, so that
a board of 512 MB carries them.
"""

import hashlib
import hmac
import os
import re
import secrets
import threading
from pathlib import Path

from flask_login import UserMixin
from sqlalchemy import Engine, delete, select
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import DeclarativeBase, Mapped, Session, mapped_column

from dashboard.access import Role
from shared.database import writing_engine
from shared.problems import InputError
from shared.requests import IDENTIFIER

COST_N, BLOCK_R, LANES_P = 2**14, 8, 1
_MEMORY_LIMIT_BYTES = 64 * 1024 * 1024
PIN_DIGITS_AT_LEAST = 6
PASSWORD_AT_LEAST = 10
SESSIONS_AT_MOST = 16  # of one person: tablets, a desk, a phone
_one_at_a_time = threading.Lock()


class Base(DeclarativeBase):
    """The tables of the people's file."""


class PersonRow(Base):
    """One person; an empty hash means that this way in does not exist for them."""

    __tablename__ = "person"
    name: Mapped[str] = mapped_column(primary_key=True)
    role: Mapped[str]
    password_hash: Mapped[str] = mapped_column(default="")
    pin_hash: Mapped[str] = mapped_column(default="")


class SecretRow(Base):
    """The key that signs the sessions."""

    __tablename__ = "secret"
    name: Mapped[str] = mapped_column(primary_key=True)
    value: Mapped[str]


class SessionRow(Base):
    """One session that is open: whose, and with which secrets of theirs it was opened."""

    __tablename__ = "session"
    number: Mapped[int] = mapped_column(primary_key=True)
    id: Mapped[str] = mapped_column(unique=True)
    name: Mapped[str] = mapped_column(index=True)
    stamp: Mapped[str]


class Person(UserMixin):  # type: ignore[misc]
    """A person as the pages know them.

    ``id`` is that of an open session, empty outside one. A session ends when the person signs out, is
    removed, or gets other secrets than those that ``stamp`` stands for; its cookie opens nothing then.
    """

    def __init__(self, name: str, role: Role, stamp: str, session: str = "") -> None:
        self.id = session
        self.name = name
        self.role = role
        self.stamp = stamp


def hashed(secret: str) -> str:
    """The salted hash of a secret, with its cost: ``scrypt$n$r$p$salt$hash``."""
    salt = os.urandom(16)
    derived = _derived(secret, salt, COST_N, BLOCK_R, LANES_P)
    return f"scrypt${COST_N}${BLOCK_R}${LANES_P}${salt.hex()}${derived.hex()}"


def matches(secret: str, kept: str) -> bool:
    """Whether the secret has this hash; takes as long when there is no hash to compare with."""
    _, n, r, p, salt, derived = (kept or _NOBODY).split("$")
    found = _derived(secret, bytes.fromhex(salt), int(n), int(r), int(p))
    return hmac.compare_digest(found, bytes.fromhex(derived)) and bool(kept)


def _derived(secret: str, salt: bytes, n: int, r: int, p: int) -> bytes:
    with _one_at_a_time:
        return hashlib.scrypt(secret.encode(), salt=salt, n=n, r=r, p=p, maxmem=_MEMORY_LIMIT_BYTES, dklen=32)


_NOBODY = f"scrypt${COST_N}${BLOCK_R}${LANES_P}${'00' * 16}${'00' * 32}"


def open_people(path: Path) -> Engine:
    """The people's file, made if it is not there, and readable by its owner only.

    Raises:
        InputError: it is no SQLite file, or cannot be written.
    """
    engine = writing_engine(path)
    try:
        Base.metadata.create_all(engine)
        path.chmod(0o600)
    except (DBAPIError, OSError) as error:
        engine.dispose()
        why = error.orig if isinstance(error, DBAPIError) else error
        raise InputError(f"{path}: cannot be used as the people's file: {why}.") from error
    return engine


class People:
    """The people's file; safe for any number of threads."""

    def __init__(self, path: Path) -> None:
        self._engine = open_people(path)

    def close(self) -> None:
        """Let go of the file."""
        self._engine.dispose()

    def add(self, name: str, role: Role, *, password: str = "", pin: str = "") -> None:
        """Add a person.

        Raises:
            InputError: the name is none, or taken, or a secret is missing or too weak.
        """
        if re.fullmatch(IDENTIFIER, name) is None:
            raise InputError(f"{name!r}: a name is 1 to 40 of letters, digits, '-', '_' and '.'.")
        if not password and not pin:
            raise InputError(f"{name}: give a password or a PIN.")
        if password and len(password) < PASSWORD_AT_LEAST:
            raise InputError(f"{name}: a password has at least {PASSWORD_AT_LEAST} characters.")
        if pin and not (pin.isascii() and pin.isdigit() and len(pin) >= PIN_DIGITS_AT_LEAST):
            raise InputError(
                f"{name}: a PIN has at least {PIN_DIGITS_AT_LEAST} digits and nothing else: every device "
                "on the bench's network may try PINs, and a shorter one is soon guessed."
            )
        row = PersonRow(
            name=name,
            role=role.value,
            password_hash=hashed(password) if password else "",
            pin_hash=hashed(pin) if pin else "",
        )
        with Session(self._engine) as session, session.begin():
            if session.get(PersonRow, name) is not None:
                raise InputError(f"{name}: there is already somebody of this name; choose another.")
            session.add(row)

    def remove(self, name: str) -> None:
        """Remove a person.

        Raises:
            InputError: there is nobody of this name.
        """
        with Session(self._engine) as session, session.begin():
            row = session.get(PersonRow, name)
            if row is None:
                raise InputError(f"{name}: there is nobody of this name.")
            session.delete(row)
            session.execute(delete(SessionRow).where(SessionRow.name == name))

    def everybody(self) -> list[Person]:
        """All people by name."""
        with Session(self._engine) as session:
            return [_person(row) for row in session.scalars(select(PersonRow).order_by(PersonRow.name))]

    def knows(self, name: str) -> bool:
        """Whether there is somebody of this name."""
        with Session(self._engine) as session:
            return session.get(PersonRow, name) is not None

    def open_session(self, person: Person) -> Person:
        """Open a session for somebody admitted; of many of one person's, the oldest end."""
        number = secrets.token_hex(16)
        with Session(self._engine) as session, session.begin():
            session.add(SessionRow(id=number, name=person.name, stamp=person.stamp))
            session.flush()
            theirs = (
                select(SessionRow).where(SessionRow.name == person.name).order_by(SessionRow.number.desc())
            )
            for row in session.scalars(theirs.offset(SESSIONS_AT_MOST)).all():
                session.delete(row)
        return Person(person.name, person.role, person.stamp, number)

    def close_session(self, session_id: str) -> None:
        """End a session, if it is open: no copy of its cookie opens anything any more."""
        with Session(self._engine) as session, session.begin():
            session.execute(delete(SessionRow).where(SessionRow.id == session_id))

    def of_session(self, session_id: str) -> Person | None:
        """The person whose open session has this id, unless they or their secrets are others now."""
        with Session(self._engine) as session:
            opened = session.scalars(select(SessionRow).where(SessionRow.id == session_id)).one_or_none()
            row = None if opened is None else session.get(PersonRow, opened.name)
            if opened is None or row is None:
                return None
            person = _person(row, session_id)
            return person if hmac.compare_digest(person.stamp, opened.stamp) else None

    def admitted(self, name: str, secret: str, *, at_bench: bool) -> Person | None:
        """The person, if the secret is theirs: a PIN counts only at the bench, a password everywhere."""
        with Session(self._engine) as session:
            row = session.get(PersonRow, name)
        by_pin = at_bench and secret.isdigit()
        kept = "" if row is None else (row.pin_hash if by_pin and row.pin_hash else row.password_hash)
        return _person(row) if matches(secret, kept) and row is not None else None

    def session_key(self) -> str:
        """The key that signs the sessions; made at the first call, so that a restart signs nobody out."""
        with Session(self._engine) as session, session.begin():
            row = session.get(SecretRow, "session-key")
            if row is None:
                row = SecretRow(name="session-key", value=secrets.token_hex(32))
                session.add(row)
            return row.value


def _person(row: PersonRow, session_id: str = "") -> Person:
    secrets_of = f"{row.password_hash} {row.pin_hash}".encode()
    stamp = hashlib.sha256(secrets_of).hexdigest()[:16]
    return Person(row.name, Role(row.role), stamp, session_id)
