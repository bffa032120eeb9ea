"""One verified file out of a database that may be written at the same time, and back again.

The copy is taken by SQLite's own backup in one step: in several it would begin anew with each write of the
station and never end. It becomes visible only when it has been read back whole.
"""

import os
import re
import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from shared.history import History
from shared.problems import FailureError, InputError
from station.journal.boot_name import rename_boot
from station.journal.claim import Claim

Progress = Callable[[int, int], None]
OLDEST = 1
"""Copies are taken of every schema there has been."""
SIDE_FILES = ("-wal", "-shm", "-journal")


class Copied(NamedTuple):
    """A copy that was verified: its place, size in bytes, its events, the head of their chain, its schema."""

    path: Path
    size: int
    events: int
    head: str
    schema: int


def back_up(source: Path, target: Path, progress: Progress | None = None) -> Copied:
    """Copy a database to one file, while it is written or not.

    Args:
        source: a station's database, of this schema or an older one, which it keeps.
        target: the file to make, or a folder in which it gets the database's name and the time.
        progress: told (events checked, events in all) now and then.

    Raises:
        InputError: the source is no station's database, or the target exists.
        FailureError: the copy could not be made or does not hold together; nothing is left behind.
    """
    with History(source, OLDEST):
        pass  # refuses what is no station's database before anything is made
    if target.is_dir():
        target = target / f"{source.stem}-{stamp()}{source.suffix}"
    if target.exists():
        raise InputError(f"{target}: is there already; name a new file, or a folder.")
    if not target.parent.is_dir():
        raise InputError(f"{target}: there is no folder {target.parent}; make it first.")
    part = target.with_name(f".{target.name}.part")
    try:
        copy(source, part)
        copied = verified(part, progress)
        os.replace(part, target)
        sync_folder(target.parent)
    except (OSError, sqlite3.Error) as error:
        raise FailureError(f"{target}: cannot be made from {source}: {error}.") from error
    finally:
        discard(part)
    return copied._replace(path=target)


def older_copies(new: Path, keep: int) -> list[Path]:
    """The copies beside ``new`` that go when ``keep`` stay, oldest first; never ``new`` itself.

    By the times in their names. What is named otherwise is not ours and stays; so does a copy that a clock
    which was wrong has dated into the future, as long as it is among the newest.
    """
    stem = new.stem.removesuffix(new.stem[-len(stamp()) :])
    form = re.compile(re.escape(stem) + r"\d{8}T\d{6}Z" + re.escape(new.suffix))
    others = sorted(path for path in new.parent.iterdir() if form.fullmatch(path.name) and path != new)
    return others[: max(0, len(others) - (keep - 1))]


def restore(source: Path, target: Path, progress: Progress | None = None) -> tuple[Copied, Path | None]:
    """Put a backup in the place of a database; what was copied, and where what was there is kept.

    What SQLite had beside the old file goes with it, also where that file itself is gone: an old log would be
    played over the new one. The new file is read back where it lies. One of an older schema keeps it: the
    station that starts on it brings it up to date.

    Raises:
        InputError: the backup is no station's database.
        FailureError: a station writes the target, or the backup does not hold together; nothing is changed.
    """
    with History(source, OLDEST):
        pass
    claim = Claim(target)
    part = target.with_name(f".{target.name}.part")
    try:
        copy(source, part)
        copied = verified(part, progress)
        aside = set_aside(target, "replaced")
        os.replace(part, target)
        sync_folder(target.parent)
        there = verified(target, progress)
        if there.head != copied.head:
            raise FailureError(
                f"{target}: was put there with head {copied.head} and reads back with {there.head}; "
                "something else writes here. Stop it, and restore once more."
            )
    except (OSError, sqlite3.Error) as error:
        raise FailureError(f"{target}: cannot be restored from {source}: {error}.") from error
    finally:
        discard(part)
        claim.release()
    return copied._replace(path=target), aside


def set_aside(path: Path, why: str) -> Path | None:
    """Move a database out of the way, with what belongs to it, under a name that says why and when.

    Returns:
        Where the database is now, or the first of what lay beside it where it was gone; None if nothing lay
        there.
    """
    aside = path.with_name(f"{path.name}.{why}-{stamp()}")
    moved = []
    for side in ("", *SIDE_FILES):
        found = path.with_name(path.name + side)
        if found.exists():
            moved.append(aside.with_name(aside.name + side))
            os.replace(found, moved[-1])
    if moved:
        rename_boot(path)
    sync_folder(path.parent)
    return next(iter(moved), None)


def verified(path: Path, progress: Progress | None = None) -> Copied:
    """Read a database whole: the file and the chain.

    Raises:
        FailureError: it does not hold together.
    """
    with closing(sqlite3.connect(path)) as connection:
        found = connection.execute("PRAGMA integrity_check(1)").fetchone()[0]
        schema = int(connection.execute("PRAGMA user_version").fetchone()[0])
    if found != "ok":
        raise FailureError(f"{path}: the file is damaged: {found}.")
    with History(path, OLDEST) as history:
        verdict = history.verify(progress)
    if verdict.problem is not None:
        raise FailureError(f"{path}: the chain breaks: {verdict.problem}.")
    return Copied(path, path.stat().st_size, verdict.count, verdict.head, schema)


def copy(source: Path, part: Path) -> None:
    """Copy a database to one file as it is at this moment, and bring that to the disk."""
    discard(part)
    with closing(sqlite3.connect(source)) as taken, closing(sqlite3.connect(part)) as made:
        taken.backup(made, pages=-1)
        made.execute("PRAGMA journal_mode = DELETE")  # one file, nothing beside it
    with part.open("rb+") as file:
        os.fsync(file.fileno())


def discard(part: Path) -> None:
    """Remove what an unfinished copy left, with the files SQLite puts beside it."""
    for name in (part.name, *(part.name + side for side in SIDE_FILES)):
        part.with_name(name).unlink(missing_ok=True)


def sync_folder(folder: Path) -> None:
    """Bring a folder's names to the disk."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def stamp() -> str:
    """The time now, UTC, as it stands in names of files."""
    return datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
