"""Engines and pragmas for a station's SQLite database.

Two kinds of engine: a writing one, whose transactions begin IMMEDIATE so that waiting works, and whose
commits are on disk when they return (WAL with synchronous FULL); and a reading one that can write nothing.
"""

import os
from functools import lru_cache
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Engine, create_engine, event
from sqlalchemy.exc import DBAPIError

from shared.problems import InputError
from shared.records import SCHEMA_VERSION
from shared.schema import check_schema

BUSY_MS = 1000


def _engine(path: Path, pragmas: tuple[str, ...], begin: str, *, immutable: bool = False) -> Engine:
    name = path.absolute().as_uri() if immutable else str(path)
    query = {"mode": "ro", "immutable": "1", "uri": "true"} if immutable else {}
    url = URL.create("sqlite", database=name, query=query)
    # As many connections as there are threads that ask: whoever waits for one may hold another.
    engine = create_engine(url, connect_args={"timeout": BUSY_MS / 1000}, max_overflow=-1)

    @event.listens_for(engine, "connect")
    def _connected(connection: Any, _record: Any) -> None:
        connection.isolation_level = None  # the driver begins nothing by itself; the next hook does
        for pragma in pragmas:
            connection.execute(f"PRAGMA {pragma}")

    @event.listens_for(engine, "begin")
    def _begun(connection: Any) -> None:
        connection.exec_driver_sql(begin)

    return engine


def writing_engine(path: Path) -> Engine:
    """An engine for the one writer of a database; the file is made if it is not there."""
    return _engine(
        path,
        (
            "journal_mode = WAL",
            "synchronous = FULL",
            "foreign_keys = ON",
            "journal_size_limit = 4194304",
            "wal_autocheckpoint = 400",
        ),
        "BEGIN IMMEDIATE",
    )


def reading_engine(path: Path, oldest: int = SCHEMA_VERSION) -> Engine:
    """An engine that only reads; the same one for the same file, so that statements are made ready only once.

    Disposing of it lets go of the file, and it may be used again afterwards.

    Args:
        path: a station's database.
        oldest: the oldest schema that the caller can read.

    Raises:
        InputError: there is no such file, or it is no database of a station.
    """
    if not path.is_file():
        raise InputError(f"{path}: there is no such file; name a station's database with --db FILE.")
    # Even to read, WAL wants files beside the database; where none can be made it is read as it lies there.
    kept = not os.access(path.parent, os.W_OK) or not os.access(path, os.W_OK)
    engine = _reading(path.absolute(), kept)
    check_schema(engine, path, oldest)
    return engine


@lru_cache(maxsize=8)
def _reading(path: Path, kept: bool) -> Engine:
    return _engine(path, ("query_only = ON",), "BEGIN", immutable=kept)


def damage(error: DBAPIError) -> str | None:
    """What SQLite says of a file that is damaged; None where it is about something else."""
    said = str(error.orig)
    return said if "malformed" in said or "not a database" in said else None


def migrating_engine(path: Path) -> Engine:
    """An engine for a migration: as the writing one, without foreign keys."""
    return _engine(path, ("synchronous = FULL", "foreign_keys = OFF"), "BEGIN IMMEDIATE")
