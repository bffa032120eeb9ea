"""Bringing a database up to date: backed up before, checked after, all of it or nothing."""

import logging
from pathlib import Path
from typing import NamedTuple

from shared.database import migrating_engine
from shared.problems import InputError
from shared.records import SCHEMA_VERSION
from shared.schema import migrate, schema_version
from station.journal.backup import copy

LOG = logging.getLogger("benchward.journal")


class Migrated(NamedTuple):
    """From which schema to which, and where the database as it was is kept; None where nothing was done."""

    before: int
    after: int
    kept: Path | None


def version_of(path: Path) -> int:
    """The schema version of a file.

    Raises:
        InputError: it is no station's database, or a newer program's.
    """
    if not path.is_file():
        raise InputError(f"{path}: there is no such file; name a station's database with --db FILE.")
    engine = migrating_engine(path)
    try:
        version = schema_version(engine)
    except Exception as error:
        raise InputError(f"{path}: cannot be read as a database: {error}.") from error
    finally:
        engine.dispose()
    if not 0 < version <= SCHEMA_VERSION:
        which = "a newer program's" if version > SCHEMA_VERSION else "no station's"
        raise InputError(f"{path}: schema version is {version!r}: it is {which} database.")
    return version


def bring_up_to_date(path: Path) -> Migrated:
    """Migrate a file whose claim the caller holds, if it is older.

    Raises:
        InputError: as `version_of`.
        FailureError: it could not be migrated; it is as it was.
    """
    before = version_of(path)
    if before == SCHEMA_VERSION:
        return Migrated(before, before, None)
    kept = path.with_name(f"{path.name}.schema-{before}")
    if not kept.exists():
        copy(path, kept)
    engine = migrating_engine(path)
    try:
        migrate(engine, path)
    finally:
        engine.dispose()
    LOG.warning("%s brought from schema %d to %d; as it was: %s", path, before, SCHEMA_VERSION, kept)
    return Migrated(before, SCHEMA_VERSION, kept)


def migrate_if_older(path: Path, version: int) -> None:
    """What a station does that starts on an older file."""
    if 0 < version < SCHEMA_VERSION:
        bring_up_to_date(path)
