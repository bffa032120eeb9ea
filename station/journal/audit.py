"""Whether what was derived from the events still agrees with them.

The chain shows an edited event; it does not cover the tables made from events for quick questions, nor the
offset that dates a boot. This derives them once more, in memory, and compares. Readings are covered by
neither, and no event tells the date that a replay was given.
"""

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeAlias

from sqlalchemy import Connection, Engine, create_engine, func, insert, inspect, select, tuple_
from sqlalchemy.exc import DBAPIError
from sqlalchemy.pool import StaticPool

from shared.database import reading_engine
from shared.history import History
from shared.problems import FailureError
from shared.records import Base, Boot, EventRow, PlacementRow, ReadingRow, StepRow, UnitRow
from station.journal import heats, kept_state, rollups
from station.journal.dating import Dating
from station.journal.ledger import derive

DERIVED: tuple[type[Base], ...] = (UnitRow, StepRow, PlacementRow)

Progress: TypeAlias = Callable[[int, int], None]


def audit(path: Path, progress: Progress | None = None) -> None:
    """Compare derived tables, dates and the kept state with the events, roll-ups and kept heat with readings.

    Args:
        path: a station's database.
        progress: told (boots compared, boots in all), then (units compared, units in all).

    Raises:
        InputError: the file is no database of a station.
        FailureError: a table is missing, or a row, a boot's date or the kept state is not what the events
            make of it; says which.
    """
    engine = reading_engine(path)
    try:
        missing = sorted(set(Base.metadata.tables) - set(inspect(engine).get_table_names()))
        if missing:
            raise FailureError(f"{path}: the table {missing[0]!r} is missing.")
        _compare(path, engine, progress)
    except DBAPIError as error:
        raise FailureError(f"{path}: the file is damaged: {error.orig}.") from error
    finally:
        engine.dispose()


def _compare(path: Path, engine: Engine, progress: Progress | None) -> None:
    again = create_engine("sqlite://", poolclass=StaticPool)
    try:
        with engine.connect() as stored, again.begin() as made:
            Base.metadata.create_all(made)
            # The first question holds the moment that is compared: a station may go on writing meanwhile.
            last_seq = stored.execute(select(func.max(EventRow.seq))).scalar_one() or 0
            _copy_boots(stored, made)
            with History(path) as history:
                dating = Dating()
                state = kept_state.Check(kept_state.read(stored))
                boots: dict[str, int] = {row.boot: row.id for row in made.execute(select(Boot.boot, Boot.id))}
                for dated in history.events():
                    record = dated.record
                    if record.seq > last_seq:
                        break
                    derive(made, record.seq, boots[record.boot], record.mono_ms, record.body)
                    dating.hear(record)
                    state.hear(dated)
            for boot, offset_ms in made.execute(
                select(Boot.boot, Boot.wall_offset_ms).order_by(Boot.id)
            ).all():
                wrong = dating.contradiction(boot, offset_ms)
                if wrong is not None:
                    raise FailureError(f"{path}: boots, boot {boot!r}: {wrong}.")
            wrong = state.contradiction()
            if wrong is not None:
                raise FailureError(f"{path}: {wrong}.")
            for model in DERIVED:
                _compare_table(path, model, _rows(stored, model), _rows(made, model))
            rollups.compare(stored, path, progress)
            heats.compare(stored, path, progress)
    finally:
        again.dispose()


def _copy_boots(stored: Connection, made: Connection) -> None:
    """Boots, and of each the last event and second: where a unit's time on the plate ends with its boot."""
    last_seconds = select(ReadingRow.boot_id, func.max(ReadingRow.second)).group_by(ReadingRow.boot_id)
    place = tuple_(ReadingRow.boot_id, ReadingRow.second)
    last_events = select(func.max(EventRow.seq)).group_by(EventRow.boot_id)
    wanted: list[tuple[type[Base], Any]] = [
        (Boot, select(Boot)),
        (
            ReadingRow,
            select(ReadingRow).where(place.in_(last_seconds)),
        ),
        (EventRow, select(EventRow).where(EventRow.seq.in_(last_events))),
    ]
    for model, query in wanted:
        rows = [dict(row) for row in stored.execute(query).mappings()]
        if rows:
            made.execute(insert(model), rows)


def _rows(connection: Connection, model: type[Base]) -> dict[int, dict[str, Any]]:
    key = next(iter(model.__table__.primary_key))
    found = connection.execute(select(model).order_by(key)).mappings()
    return {int(row[key.name]): dict(row) for row in found}


def _compare_table(
    path: Path, model: type[Base], stored: dict[int, dict[str, Any]], made: dict[int, dict[str, Any]]
) -> None:
    table = model.__tablename__
    for seq in sorted(set(stored) | set(made)):
        if stored.get(seq) == made.get(seq):
            continue
        if seq not in stored:
            raise FailureError(f"{path}: {table} lacks the row that event {seq} made.")
        if seq not in made:
            raise FailureError(f"{path}: {table} has a row for event {seq}, which made none.")
        column = next(name for name, value in stored[seq].items() if made[seq][name] != value)
        raise FailureError(
            f"{path}: {table}, row of event {seq}: {column} is {stored[seq][column]!r}, "
            f"the events say {made[seq][column]!r}."
        )
