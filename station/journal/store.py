"""Storing a whole replay: one transaction, all of it or nothing."""

from collections.abc import Iterable, Iterator
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.exc import DBAPIError

from shared.database import migrating_engine
from shared.events import EventRecord
from shared.problems import FailureError, InputError
from shared.records import Boot
from shared.timeline import is_trace
from station.journal.ledger import BootClock, Entry, Ledger, Told
from station.journal.migrating import version_of
from station.journal.seconds import SecondMaker
from station.replay import Replayed


class ReplayStore:
    """A database that takes replays; use as a context manager."""

    def __init__(self, path: Path) -> None:
        """Open or make the database.

        Raises:
            InputError: the file is no database of a station, or a station has run in it.
            FailureError: it cannot be opened for writing.
        """
        self._path = path
        if path.is_file():
            _refuse_a_stations(path)
        try:
            self._ledger = Ledger(path)
        except DBAPIError as error:
            raise FailureError(f"{path}: cannot be opened for writing: {error.orig}.") from error

    def __enter__(self) -> "ReplayStore":
        return self

    def __exit__(self, *_: object) -> None:
        self._ledger.close()

    def fresh_boot(self, name: str) -> str:
        """A boot name that this database does not have yet."""
        return self._ledger.fresh_boot(name)

    def store(
        self, lines: Iterable[Replayed], boot: str, start_ms: int | None, gap_ms: int
    ) -> list[EventRecord]:
        """Journal a replay and return its events as recorded.

        Raises:
            FailureError: it could not be written; nothing was.
        """
        try:
            written = self._ledger.write(list(_entries(lines, boot, start_ms, gap_ms)))
            while self._ledger.keep_heat():
                pass
        except DBAPIError as error:
            raise FailureError(f"{self._path}: cannot be written: {error.orig}.") from error
        return written


def _refuse_a_stations(path: Path) -> None:
    """Refuse a file in which anything but replays is recorded, before anything is written to it.

    What follows of a replay's events is kept by unit: the same names at the bench would be changed with them.

    Raises:
        InputError: names the boot.
    """
    version_of(path)
    engine = migrating_engine(path)
    try:
        with engine.connect() as connection:
            boots = connection.execute(select(Boot.boot).order_by(Boot.id.desc())).scalars().all()
    finally:
        engine.dispose()
    real = [boot for boot in boots if not is_trace(boot)]
    if real:
        raise InputError(
            f"--db is {path}, the record of a station (boot {real[0]!r} is no trace): a replay in it would "
            "change what is told of the bench's units. Nothing was written; name a new file, or one that "
            "holds only replays."
        )


def _entries(lines: Iterable[Replayed], boot: str, start_ms: int | None, gap_ms: int) -> Iterator[Entry]:
    seconds = SecondMaker(gap_ms)
    if start_ms is not None:
        yield BootClock(boot, start_ms)
    for line in lines:
        if line.state is not None and line.reading is not None:
            row = seconds.add(line.moment, line.state.watch, line.reading.extraction.extraction_a)
            if row is not None:
                yield row
        if line.events:
            yield Told(line.moment, line.events)
    last = seconds.finish()
    if last is not None:
        yield last
