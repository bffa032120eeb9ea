"""Which schema a database has, making one, and bringing an older one up to date (Alembic).

``user_version`` is the schema's number, read at every opening without the help of a library; Alembic's own
table holds the same number for its own sake. A migration is one transaction: all of it or nothing.
"""

from importlib import resources
from pathlib import Path

from sqlalchemy import Connection, Engine, text
from sqlalchemy.exc import DBAPIError

from shared.problems import DamagedError, FailureError, InputError
from shared.records import SCHEMA_VERSION, Base


def schema_version(engine: Engine) -> int:
    """The schema version the database says it has; 0 for a new one."""
    with engine.connect() as connection:
        return int(connection.execute(text("PRAGMA user_version")).scalar_one())


def check_schema(engine: Engine, path: Path, oldest: int = SCHEMA_VERSION) -> None:
    """Refuse a file that this version cannot read, or that is older than the caller can take.

    Raises:
        InputError: it is no database of a station, or one of another version.
    """
    try:
        version = schema_version(engine)
    except DBAPIError as error:
        engine.dispose()
        raise InputError(f"{path}: cannot be read as a database: {error.orig}.") from error
    if oldest <= version <= SCHEMA_VERSION:
        return
    engine.dispose()
    what = f"{path}: schema version is {version!r}, this program needs {SCHEMA_VERSION!r}"
    if 0 < version < SCHEMA_VERSION:
        raise InputError(f"{what}; bring it up to date with benchward migrate --db {path}.")
    if version > SCHEMA_VERSION:
        raise InputError(f"{what}; a newer program wrote it: use that one.")
    raise InputError(f"{what}; is it a station's database?")


def create_tables(engine: Engine, path: Path) -> None:
    """Make the tables in a new database; leave an existing one as it is.

    Raises:
        InputError: the file holds somebody else's tables.
    """
    if schema_version(engine) != 0:
        return
    with engine.begin() as connection:
        found = connection.execute(text("SELECT name FROM sqlite_master LIMIT 1")).scalar()
        if found is not None:
            raise InputError(f"{path}: holds a table {found!r} that is not a station's; name another file.")
        Base.metadata.create_all(connection)
        connection.execute(text("CREATE TABLE alembic_version (version_num VARCHAR(32) NOT NULL)"))
        _stamp(connection, SCHEMA_VERSION)


def migrate(engine: Engine, path: Path, to: int = SCHEMA_VERSION) -> None:
    """Bring a database from its version to another, and check it whole.

    Args:
        engine: writing, without foreign keys: a table that is made anew must not take its children with it.
        path: for messages.
        to: the version wanted.

    Raises:
        FailureError: a step or a check failed; the database is as it was.
    """
    from alembic import command
    from alembic.config import Config

    config = Config()
    with resources.as_file(resources.files("shared") / "migrations") as scripts:
        config.set_main_option("script_location", str(scripts))
        config.set_main_option("path_separator", "os")
        try:
            with engine.begin() as connection:
                version = int(connection.execute(text("PRAGMA user_version")).scalar_one())
                config.attributes["connection"] = connection
                if version:
                    _adopt(connection, version)
                command.upgrade(config, str(to))
                _check_whole(connection, path)
                connection.execute(text(f"PRAGMA user_version = {to}"))
        except DBAPIError as error:
            raise FailureError(f"{path}: cannot be migrated to version {to}: {error.orig}.") from error


def _adopt(connection: Connection, version: int) -> None:
    """Tell Alembic of a database that was made before it came, or without it."""
    connection.execute(text("CREATE TABLE IF NOT EXISTS alembic_version (version_num VARCHAR(32) NOT NULL)"))
    _stamp(connection, version)


def _stamp(connection: Connection, version: int) -> None:
    connection.execute(text("DELETE FROM alembic_version"))
    connection.execute(text("INSERT INTO alembic_version VALUES (:version)"), {"version": str(version)})
    connection.execute(text(f"PRAGMA user_version = {version}"))


def _check_whole(connection: Connection, path: Path) -> None:
    broken = connection.execute(text("PRAGMA foreign_key_check")).first()
    if broken is not None:
        raise FailureError(f"{path}: {broken[0]} row {broken[1]} points at {broken[2]}, which lacks it.")
    found = connection.execute(text("PRAGMA integrity_check(1)")).scalar_one()
    if found != "ok":
        raise DamagedError(f"{path}: the file is damaged: {found}.")
