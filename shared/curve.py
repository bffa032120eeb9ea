"""The plate and the extractor over a stretch of time, as few points as a chart needs.

Up to some hours the seconds themselves are binned; beyond that the rolled-up minutes and hours are read, so
that a year costs no more than a day. Every point keeps its extremes: a peak never vanishes in a mean.
"""

from pathlib import Path
from typing import Any, NamedTuple

from sqlalchemy import Connection, func, select

from shared.database import reading_engine
from shared.records import Boot, HourRow, MinuteRow, ReadingRow

HOUR_MS = 3_600_000
# Seconds of record up to which they are read themselves, and minutes up to which those are.
LONGEST_BY_SECOND_MS = 4 * HOUR_MS
LONGEST_BY_MINUTE_MS = 4 * 24 * HOUR_MS


class Point(NamedTuple):
    """A piece of the curve: wall time of its beginning in Unix ms, its width, temperatures, amperes.

    ``valid``: the share of it with a believable plate reading. None where nothing was read.
    """

    at_ms: int
    width_ms: int
    mean_c: float | None
    min_c: float | None
    max_c: float | None
    extraction_a: float | None
    valid: float


def curve(path: Path, from_ms: int, to_ms: int, points: int = 600) -> list[Point]:
    """The curve between two wall times (Unix ms, the end excluded), oldest first; gaps are left out.

    Args:
        path: a station's database.
        from_ms: from.
        to_ms: to.
        points: about how many at most.

    Raises:
        InputError: the file is no database of a station.
    """
    engine = reading_engine(path)
    try:
        with engine.connect() as connection:
            found = _points(connection, from_ms, to_ms, points)
    finally:
        engine.dispose()
    return sorted(found)


class _Level(NamedTuple):
    """Which rows are read, how long one is, and which of its columns make a point."""

    number: Any
    boot_id: Any
    unit_ms: int
    columns: tuple[Any, ...]


def _rolled(model: type[MinuteRow] | type[HourRow], unit_ms: int) -> _Level:
    return _Level(
        model.number,
        model.boot_id,
        unit_ms,
        (
            func.sum(model.seconds).label("seconds"),
            func.sum(model.valid_ms).label("valid_ms"),
            func.sum(model.plate_cc_ms).label("cc_ms"),
            func.min(model.plate_min_cc).label("min_cc"),
            func.max(model.plate_max_cc).label("max_cc"),
            func.sum(model.extraction_seconds).label("ma_seconds"),
            func.sum(model.extraction_ma).label("ma"),
        ),
    )


_SECONDS = _Level(
    ReadingRow.second,
    ReadingRow.boot_id,
    1000,
    (
        func.count().label("seconds"),
        func.sum(ReadingRow.valid_ms).label("valid_ms"),
        func.sum(func.coalesce(ReadingRow.plate_mean_cc, 0) * ReadingRow.valid_ms).label("cc_ms"),
        func.min(ReadingRow.plate_min_cc).label("min_cc"),
        func.max(ReadingRow.plate_max_cc).label("max_cc"),
        func.count(ReadingRow.extraction_ma).label("ma_seconds"),
        func.coalesce(func.sum(ReadingRow.extraction_ma), 0).label("ma"),
    ),
)
_MINUTES, _HOURS = _rolled(MinuteRow, 60_000), _rolled(HourRow, HOUR_MS)


def _level(length_ms: int) -> _Level:
    if length_ms <= LONGEST_BY_SECOND_MS:
        return _SECONDS
    return _MINUTES if length_ms <= LONGEST_BY_MINUTE_MS else _HOURS


def _points(connection: Connection, from_ms: int, to_ms: int, points: int) -> list[Point]:
    level = _level(to_ms - from_ms)
    # A bin is a whole number of the rows it is made of.
    width = max(1, -(-(to_ms - from_ms) // (points * level.unit_ms)))
    found: list[Point] = []
    for boot_id, offset_ms in _boots_between(connection, from_ms, to_ms):
        first = (from_ms - offset_ms) // level.unit_ms
        last = -(-(to_ms - offset_ms) // level.unit_ms)
        bin_ = level.number.op("/")(width)
        query = (
            select(bin_.label("bin"), *level.columns)
            .where(level.boot_id == boot_id, level.number >= first, level.number < last)
            .group_by(bin_)
        )
        found += [_point(row, width * level.unit_ms, offset_ms) for row in connection.execute(query)]
    return found


def _boots_between(connection: Connection, from_ms: int, to_ms: int) -> list[tuple[int, int]]:
    """The dated boots with anything recorded in between, with their offsets to wall time."""
    spans = (
        select(Boot.id, Boot.wall_offset_ms, func.min(HourRow.number), func.max(HourRow.number))
        .join(HourRow, HourRow.boot_id == Boot.id)
        .where(Boot.wall_offset_ms.is_not(None))
        .group_by(Boot.id)
    )
    return [
        (boot_id, offset_ms)
        for boot_id, offset_ms, first, last in connection.execute(spans).all()
        if offset_ms is not None
        and first * HOUR_MS + offset_ms < to_ms
        and (last + 1) * HOUR_MS + offset_ms > from_ms
    ]


def _point(row: Any, width_ms: int, offset_ms: int) -> Point:
    return Point(
        at_ms=row.bin * width_ms + offset_ms,
        width_ms=width_ms,
        mean_c=row.cc_ms / row.valid_ms / 100 if row.valid_ms else None,
        min_c=None if row.min_cc is None else row.min_cc / 100,
        max_c=None if row.max_cc is None else row.max_cc / 100,
        extraction_a=row.ma / row.ma_seconds / 1000 if row.ma_seconds else None,
        valid=row.valid_ms / (row.seconds * 1000),
    )
