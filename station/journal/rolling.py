"""Making anew all that is taken together from the readings and events of a database."""

from collections.abc import Callable
from pathlib import Path

from sqlalchemy import select

from shared.database import writing_engine
from shared.records import Boot
from station.journal import heats, kept_state
from station.journal.rollups import make_anew


def roll_up_anew(path: Path, progress: Callable[[int, int], None] | None = None) -> int:
    """Make minutes and hours of every boot anew, a transaction a boot; how many boots there are.

    The caller holds the claim of the file. ``progress`` is told (boots done, boots in all).
    """
    engine = writing_engine(path)
    try:
        with engine.connect() as connection:
            boots = connection.execute(select(Boot.id, Boot.thinned_to)).all()
        for done, boot in enumerate(boots, start=1):
            with engine.begin() as connection:
                make_anew(connection, boot.id, boot.thinned_to or 0)
            if progress is not None:
                progress(done, len(boots))
    finally:
        engine.dispose()
    return len(boots)


def keep_heat_anew(path: Path, progress: Callable[[int, int], None] | None = None) -> int:
    """Make anew what is kept of closed units, in one transaction; of how many.

    The caller holds the claim of the file. ``progress`` is told (units done, units in all).
    """
    engine = writing_engine(path)
    try:
        with engine.begin() as connection:
            return heats.make_anew(connection, progress)
    finally:
        engine.dispose()


def forget_state(path: Path) -> None:
    """Forget the state that was kept: the station's next start folds all events, and keeps it anew.

    The caller holds the claim of the file.
    """
    engine = writing_engine(path)
    try:
        with engine.begin() as connection:
            kept_state.forget(connection)
    finally:
        engine.dispose()
