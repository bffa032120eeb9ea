"""Engines and pragmas for a station's SQLite database.

Two kinds of engine: a writing one, whose transactions begin IMMEDIATE so that waiting works, and whose
commits are on disk when they return (WAL with synchronous FULL); and a reading one that can write nothing.
"""

import os
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Engine, create_engine, event, text
from sqlalchemy.exc import DBAPIError

from shared.problems import InputError
from shared.records import SCHEMA_VERSION, Base

BUSY_MS = 1000


def _engine(path: Path, pragmas: tuple[str, ...], begin: str, query: dict[str, str] | None = None) -> Engine:
    name = str(path) if query is None else path.absolute().as_uri()
    url = URL.create("sqlite", database=name, query=query or {})
    engine = create_engine(url, connect_args={"timeout": BUSY_MS / 1000})

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


def reading_engine(path: Path) -> Engine:
    """An engine that only reads.

    Raises:
        InputError: there is no such file, or it is no database of a station.
    """
    if not path.is_file():
        raise InputError(f"{path}: there is no such file; name a station's database with --db FILE.")
    # Even to read, WAL wants files beside the database; where none can be made it is read as it lies there.
    kept = not os.access(path.parent, os.W_OK) or not os.access(path, os.W_OK)
    query = {"mode": "ro", "immutable": "1", "uri": "true"} if kept else None
    engine = _engine(path, ("query_only = ON",), "BEGIN", query)
    check_schema(engine, path)
    return engine


def schema_version(engine: Engine) -> int:
    """The schema version the database says it has; 0 for a new one."""
    with engine.connect() as connection:
        return int(connection.execute(text("PRAGMA user_version")).scalar_one())


def check_schema(engine: Engine, path: Path) -> None:
    """Refuse a file that this version cannot read.

    Raises:
        InputError: it is no database of a station, or one of another version.
    """
    try:
        version = schema_version(engine)
    except DBAPIError as error:
        engine.dispose()
        raise InputError(f"{path}: cannot be read as a database: {error.orig}.") from error
    if version != SCHEMA_VERSION:
        engine.dispose()
        raise InputError(
            f"{path}: schema version is {version!r}, this program needs {SCHEMA_VERSION!r}; "
            "is it a station's database?"
        )


def create_tables(engine: Engine, path: Path) -> None:
    """Make the tables in a new database; leave an existing one as it is.

    Raises:
        InputError: the file holds somebody else's tables.
    """
    if schema_version(engine) == 0:
        with engine.begin() as connection:
            found = connection.execute(text("SELECT name FROM sqlite_master LIMIT 1")).scalar()
            if found is not None:
                raise InputError(
                    f"{path}: holds a table {found!r} that is not a station's; name another file."
                )
            Base.metadata.create_all(connection)
            connection.execute(text(f"PRAGMA user_version = {SCHEMA_VERSION}"))
