"""Whether a file holds together well enough to be written on, looked at when a station starts.

A small file is checked whole. In a large one the readings are nearly all of it, and walking them would hold
the start up: of them only what a start reads and where it writes on is looked at, of everything else all.
"""

from pathlib import Path

from sqlalchemy import Connection, Engine, Select, and_, func, select, text
from sqlalchemy.exc import DatabaseError

from shared.database import damage
from shared.problems import DamagedError
from shared.records import Base, PlacementRow, ReadingRow, UnitRow

LARGEST_WHOLE = 128 * 1024 * 1024
"""Bytes up to which a file is checked whole."""
# More seconds than the eight hours that a start looks back.
NEWEST = 40_000


def check(engine: Engine, path: Path, largest_whole: int = LARGEST_WHOLE) -> None:
    """Look at a station's database before it is written on.

    Raises:
        DamagedError: it does not hold together; says what was found.
    """
    try:
        with engine.connect() as connection:
            if path.stat().st_size <= largest_whole:
                found = _quick_check(connection, "1")
            else:
                found = _large(connection)
    except DatabaseError as error:
        what = damage(error)
        if what is None:
            raise
        raise DamagedError(what) from error
    if found != "ok":
        raise DamagedError(found)


def _quick_check(connection: Connection, what: str) -> str:
    return str(connection.execute(text(f"PRAGMA quick_check({what})")).scalars().first())


def _large(connection: Connection) -> str:
    there = set(connection.execute(text("SELECT name FROM sqlite_master WHERE type = 'table'")).scalars())
    for table in Base.metadata.tables:
        if table in there and table != ReadingRow.__tablename__:  # an older schema lacks some
            found = _quick_check(connection, table)
            if found != "ok":
                return found
    newest = select(ReadingRow).order_by(ReadingRow.boot_id.desc(), ReadingRow.second.desc()).limit(NEWEST)
    for query in (newest, _of_units_at_work()):
        rows = query.subquery()
        connection.execute(select(func.count(), func.sum(rows.c.valid_ms))).one()
    return "ok"


def _of_units_at_work() -> Select[int]:
    """The readings of units that are not closed."""
    return (
        select(ReadingRow.valid_ms)
        .join(
            PlacementRow,
            and_(
                PlacementRow.boot_id == ReadingRow.boot_id,
                ReadingRow.second >= PlacementRow.placed_ms / 1000 - 1,
                ReadingRow.second <= func.coalesce(PlacementRow.removed_ms, 1 << 62) / 1000 + 1,
            ),
        )
        .where(PlacementRow.unit.in_(select(UnitRow.unit).where(UnitRow.closed_seq.is_(None))))
    )
