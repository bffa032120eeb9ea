"""Bringing a database up to date: backed up before, checked after, all of it or nothing."""

import logging
import os
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import NamedTuple

from shared.database import migrating_engine
from shared.problems import DamagedError, FailureError, InputError
from shared.records import SCHEMA_VERSION
from shared.schema import migrate, schema_version
from station.journal.backup import copy, discard, stamp, sync_folder

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
        why = getattr(error, "orig", error)
        raise InputError(f"{path}: cannot be read as a database: {why}.") from error
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
    kept = _keep(path, before)
    engine = migrating_engine(path)
    try:
        migrate(engine, path)
    finally:
        engine.dispose()
    LOG.warning("%s brought from schema %d to %d; as it was: %s", path, before, SCHEMA_VERSION, kept)
    return Migrated(before, SCHEMA_VERSION, kept)


def _keep(path: Path, version: int) -> Path:
    """Copy the database as it is now; a copy of an earlier try is neither trusted nor overwritten.

    Raises:
        FailureError: it could not be copied, or it is damaged; nothing is left behind.
    """
    kept = path.with_name(f"{path.name}.schema-{version}")
    if kept.exists():
        kept = kept.with_name(f"{kept.name}-{stamp()}")
    if kept.exists():
        raise FailureError(f"{kept}: is there already; try again in a second.")
    part = kept.with_name(f".{kept.name}.part")
    try:
        copy(path, part)
        with closing(sqlite3.connect(part)) as connection:
            found = connection.execute("PRAGMA integrity_check(1)").fetchone()[0]
        if found != "ok":
            raise DamagedError(f"{path}: the file is damaged, it is not migrated: {found}.")
        os.replace(part, kept)
        sync_folder(kept.parent)
    except (OSError, sqlite3.Error) as error:
        raise FailureError(f"{path}: cannot be copied before it is migrated: {error}.") from error
    finally:
        discard(part)
    return kept


def migrate_if_older(path: Path, version: int) -> None:
    """What a station does that starts on an older file."""
    if 0 < version < SCHEMA_VERSION:
        bring_up_to_date(path)
