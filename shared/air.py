"""The extractor's current out of a database: summed by the hour, pruned stretches by the minute.

What was pruned lives on as minutes: seconds, seconds read, and the sum of their currents. Such a minute
counts whole or not at all, by its mean current. Each time the fan was switched in a pruned stretch that may
be wrong by up to a minute.
"""

from collections.abc import Iterator
from itertools import pairwise
from typing import Any, NamedTuple

from sqlalchemy import Connection, Integer, and_, bindparam, case, func, literal, select

from shared.extraction import AirSecond
from shared.records import Boot, MinuteRow, ReadingRow

SLICE_S = 86_400
HOUR_MS = 3_600_000


class Slice(NamedTuple):
    """A stretch of a boot's record, in its seconds, whole minutes; the end excluded."""

    boot_id: int
    from_s: int
    to_s: int


def slices(connection: Connection) -> list[Slice]:
    """All that is on record, pruned or not, in stretches that one question each can answer quickly."""
    found = []
    for boot_id in connection.execute(select(Boot.id).order_by(Boot.id)).scalars():
        ends = []
        for model, column, width in ((ReadingRow, ReadingRow.second, 1), (MinuteRow, MinuteRow.number, 60)):
            # Two questions, each answered by the key; asked together they walk the whole boot.
            for end, more in ((func.min(column), 0), (func.max(column), width)):
                value = connection.execute(select(end).where(model.boot_id == boot_id)).scalar_one()
                if value is not None:
                    ends.append(int(value) * width + more)
        if ends:
            first, last = min(ends) // 60 * 60, -(-max(ends) // 60) * 60
            found += [Slice(boot_id, at, min(at + SLICE_S, last)) for at in range(first, last, SLICE_S)]
    return found


def threshold_ma(running_from_a: float) -> int:
    """The least whole milliampere at or above a current in amperes; the record has whole ones."""
    nearest = round(1000 * running_from_a)
    return nearest if nearest / 1000 >= running_from_a else nearest + 1


def air(
    connection: Connection,
    part: Slice,
    running_from_a: float,
    split_ms: int | None = None,
    from_ms: int | None = None,
    to_ms: int | None = None,
) -> Iterator[AirSecond]:
    """What the extractor did in a stretch, summed by the hour of wall time.

    Args:
        connection: to a station's database.
        part: the stretch.
        running_from_a: from which current in amperes on the extractor counts as running.
        split_ms: Unix milliseconds at which an hour is cut in two; None for none.
        from_ms: not before this time, Unix ms; a boot without a date is left out then.
        to_ms: before this time.
    """
    boot = connection.execute(
        select(Boot.wall_offset_ms, Boot.thinned_to).where(Boot.id == part.boot_id)
    ).one()
    offset_ms = boot.wall_offset_ms
    if offset_ms is None and (from_ms is not None or to_ms is not None):
        return
    first, end = float(part.from_s), float(part.to_s)
    if from_ms is not None:
        first = max(first, -((offset_ms - from_ms) // 1000))
    if to_ms is not None:
        end = min(end, -((offset_ms - to_ms) // 1000))
    if end <= first:
        return
    yield from _of_seconds(
        connection, part.boot_id, int(first), int(end), offset_ms, running_from_a, split_ms
    )
    if boot.thinned_to is not None and boot.thinned_to > first:
        yield from _of_minutes(connection, part.boot_id, int(first), int(end), offset_ms)


def _of_seconds(
    connection: Connection,
    boot_id: int,
    first: int,
    end: int,
    offset_ms: int | None,
    running_from_a: float,
    split_ms: int | None,
) -> Iterator[AirSecond]:
    """The seconds that are still there, exactly; a question for each hour, which needs no sorting."""
    running = threshold_ma(running_from_a)
    for begin, until in pairwise(_cuts(first, end, offset_ms or 0, split_ms)):
        values = {"boot": boot_id, "first": begin, "end": until, "running": running}
        seconds, read, ran, ran_ma = connection.execute(_SECONDS, values).one()
        at_ms = None if offset_ms is None else 1000 * begin + offset_ms
        if ran:
            yield AirSecond(at_ms, ran_ma / ran / 1000, ran)
        if seconds > read:
            yield AirSecond(at_ms, None, seconds - read)


def _cuts(first: int, end: int, offset_ms: int, split_ms: int | None) -> list[int]:
    """Seconds of a boot between which no wall hour and no new filter begins, both ends included."""
    cuts = {first, end}
    hour_ms = (1000 * first + offset_ms) // HOUR_MS * HOUR_MS
    while hour_ms < 1000 * end + offset_ms:
        cuts.add(-((offset_ms - hour_ms) // 1000))
        hour_ms += HOUR_MS
    if split_ms is not None:
        cuts.add(-((offset_ms - split_ms) // 1000))
    return sorted(at for at in cuts if first <= at <= end)


_RAN = ReadingRow.extraction_ma >= bindparam("running", type_=Integer)
_SECONDS = select(
    func.count(),
    func.count(ReadingRow.extraction_ma),
    func.sum(case((_RAN, 1), else_=0)),
    func.sum(case((_RAN, ReadingRow.extraction_ma), else_=0)),
).where(
    ReadingRow.boot_id == bindparam("boot", type_=Integer),
    ReadingRow.second >= bindparam("first", type_=Integer),
    ReadingRow.second < bindparam("end", type_=Integer),
)


def _of_minutes(
    connection: Connection, boot_id: int, first: int, end: int, offset_ms: int | None
) -> Iterator[AirSecond]:
    """What minutes hold beyond the seconds that are left of them; a minute belongs where it begins."""
    minute = ReadingRow.second.op("/")(literal(60)).label("minute")
    left = (
        select(
            minute,
            func.count().label("seconds"),
            func.count(ReadingRow.extraction_ma).label("read"),
            func.coalesce(func.sum(ReadingRow.extraction_ma), 0).label("ma"),
        )
        .where(
            ReadingRow.boot_id == boot_id,
            ReadingRow.second >= first // 60 * 60,
            ReadingRow.second < -(-end // 60) * 60,
        )
        .group_by(minute)
        .subquery()
    )

    def gone(whole: Any, still: Any) -> Any:
        return whole - func.coalesce(still, 0)

    query = (
        select(
            MinuteRow.number,
            gone(MinuteRow.seconds, left.c.seconds),
            gone(MinuteRow.extraction_seconds, left.c.read),
            gone(MinuteRow.extraction_ma, left.c.ma),
        )
        .outerjoin(left, left.c.minute == MinuteRow.number)
        .where(
            and_(
                MinuteRow.boot_id == boot_id,
                MinuteRow.number >= -(-first // 60),
                MinuteRow.number < -(-end // 60),
                gone(MinuteRow.seconds, left.c.seconds) > 0,
            )
        )
    )
    for number, seconds, read, ma in connection.execute(query).all():
        at_ms = None if offset_ms is None else number * 60_000 + offset_ms
        if read:
            yield AirSecond(at_ms, ma / read / 1000, read)
        if seconds > read:
            yield AirSecond(at_ms, None, seconds - read)
