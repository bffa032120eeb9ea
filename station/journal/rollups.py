"""Minutes and hours rolled up from the readings: kept by the writer, made anew, compared.

A minute is always taken together anew from its seconds, and an hour from its minutes, so that writing one
twice changes nothing. What has been thinned (its readings pruned) is never made anew: there the roll-ups are
the record.
"""

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Select, delete, func, insert, literal, select
from sqlalchemy.orm import InstrumentedAttribute

from shared.problems import FailureError
from shared.records import Boot, HourRow, MinuteRow, ReadingRow


def roll_up(connection: Connection, boot_id: int, seconds: Iterable[int]) -> None:
    """Take the minutes and hours of these seconds of a boot together anew.

    The numbers are bound, not written into the statement: each would be a statement of its own, made anew and
    kept by SQLAlchemy, some 40 MB after a shift.
    """
    minutes = sorted({second // 60 for second in seconds})
    for minute in minutes:
        among = (
            ReadingRow.boot_id == boot_id,
            ReadingRow.second >= minute * 60,
            ReadingRow.second < minute * 60 + 60,
        )
        _replace(connection, MinuteRow, minutes_of(ReadingRow.boot_id, literal(minute)).where(*among))
    for hour in sorted({minute // 60 for minute in minutes}):
        first = hour * 60
        within = (MinuteRow.boot_id == boot_id, MinuteRow.number >= first, MinuteRow.number < first + 60)
        _replace(connection, HourRow, hours_of(MinuteRow.boot_id, literal(hour)).where(*within))


def _replace(connection: Connection, model: type[MinuteRow] | type[HourRow], query: Select[Any]) -> None:
    columns = [column.name for column in model.__table__.columns]
    grouped = query.having(func.count() > 0)
    connection.execute(insert(model).prefix_with("OR REPLACE").from_select(columns, grouped))


def minutes_of(boot: InstrumentedAttribute[int], number: Any) -> Select[Any]:
    """The columns of ``minutes`` taken together from readings."""
    return select(
        boot,
        number,
        func.count(),
        func.sum(ReadingRow.valid_ms),
        func.sum(func.coalesce(ReadingRow.plate_mean_cc, 0) * ReadingRow.valid_ms),
        func.min(ReadingRow.plate_min_cc),
        func.max(ReadingRow.plate_max_cc),
        func.count(ReadingRow.extraction_ma),
        func.coalesce(func.sum(ReadingRow.extraction_ma), 0),
        func.coalesce(func.sum(ReadingRow.solvent_out), 0),
    )


def hours_of(boot: InstrumentedAttribute[int], number: Any) -> Select[Any]:
    """The columns of ``hours`` taken together from minutes."""
    return select(
        boot,
        number,
        func.sum(MinuteRow.seconds),
        func.sum(MinuteRow.valid_ms),
        func.sum(MinuteRow.plate_cc_ms),
        func.min(MinuteRow.plate_min_cc),
        func.max(MinuteRow.plate_max_cc),
        func.sum(MinuteRow.extraction_seconds),
        func.sum(MinuteRow.extraction_ma),
        func.sum(MinuteRow.solvent_seconds),
    )


def compare(connection: Connection, path: Path, progress: Callable[[int, int], None] | None = None) -> None:
    """Compare every roll-up with what it was made of; ``progress`` is told (boots done, boots in all).

    Raises:
        FailureError: names the first that differs.
    """
    thinned = {row.id: row.thinned_to or 0 for row in connection.execute(select(Boot.id, Boot.thinned_to))}
    for done, (boot_id, thinned_to) in enumerate(thinned.items(), start=1):
        first = -(-thinned_to // 60)
        _compare(connection, path, MinuteRow, _minutes(boot_id, first), boot_id, first)
        _compare(connection, path, HourRow, _hours(boot_id), boot_id, 0)
        if progress is not None:
            progress(done, len(thinned))


def _minutes(boot_id: int, first: int) -> Select[Any]:
    minute = _whole(ReadingRow.second, 60)
    among = (ReadingRow.boot_id == boot_id, ReadingRow.second >= first * 60)
    return minutes_of(ReadingRow.boot_id, minute).where(*among).group_by(minute)


def _hours(boot_id: int) -> Select[Any]:
    hour = _whole(MinuteRow.number, 60)
    return hours_of(MinuteRow.boot_id, hour).where(MinuteRow.boot_id == boot_id).group_by(hour)


def _whole(column: Any, width: int) -> Any:
    """Divided as SQLite divides whole numbers; SQLAlchemy's own division would make it a fraction."""
    return column.op("/")(width)


def _compare(
    connection: Connection,
    path: Path,
    model: type[MinuteRow] | type[HourRow],
    made: Select[Any],
    boot_id: int,
    first: int,
) -> None:
    stored = select(*model.__table__.columns).where(model.boot_id == boot_id, model.number >= first)
    have = {row[1]: tuple(row) for row in connection.execute(stored)}
    want = {row[1]: tuple(row) for row in connection.execute(made)}
    for number in sorted(have.keys() | want.keys()):
        if have.get(number) != want.get(number):
            raise FailureError(
                f"{path}: {model.__tablename__}, boot {boot_id}, number {number}: it holds "
                f"{have.get(number)!r}, what it is made of gives {want.get(number)!r}; benchward migrate "
                "--roll-up makes them anew."
            )


def make_anew(connection: Connection, boot_id: int, thinned_to: int) -> None:
    """Make the roll-ups of a boot anew, as far as its readings have not been thinned."""
    first = -(-thinned_to // 60)
    connection.execute(delete(MinuteRow).where(MinuteRow.boot_id == boot_id, MinuteRow.number >= first))
    _replace(connection, MinuteRow, _minutes(boot_id, first))
    connection.execute(delete(HourRow).where(HourRow.boot_id == boot_id))
    _replace(connection, HourRow, _hours(boot_id))
