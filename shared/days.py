"""Which events a stretch of days is told from: its own, and those before it that tell how things stood."""

from collections.abc import Sequence
from typing import NamedTuple

from sqlalchemy import Connection, func, select

from shared.records import Boot, EventRow

_WALL_MS = EventRow.mono_ms + Boot.wall_offset_ms
_OF_A_STEP = ("step-started", "step-finished", "step-abandoned")


class Range(NamedTuple):
    """Events by their seq, both ends included; empty where the last comes before the first."""

    first: int
    last: int


def told_from(connection: Connection, from_ms: int, to_ms: int, boots: Sequence[str]) -> Range:
    """The events that a walk needs to tell all of a stretch of time.

    They begin with the last start of the station before the stretch, because a start knows no proof of
    extraction, or with the start of the oldest step that was open at that start. They end with the first
    event beyond the stretch: until then, what its last event began may have lasted. Only events are asked, no
    table that is derived from them.

    Args:
        connection: to a station's database.
        from_ms: Unix ms.
        to_ms: Unix ms, excluded.
        boots: those in which the station ran then; clocks that were set may let several overlap.
    """
    dated = select(EventRow.seq).join(Boot, EventRow.boot_id == Boot.id).order_by(EventRow.seq)
    edge = connection.execute(dated.where(_WALL_MS >= from_ms).limit(1)).scalar_one_or_none()
    newest_first = dated.order_by(None).order_by(EventRow.seq.desc()).limit(1)
    last = connection.execute(newest_first.where(_WALL_MS < to_ms)).scalar_one_or_none()
    if last is None:
        return Range(1, 0)
    # What the last event of a boot before the stretch began may reach into it.
    until = last + 1 if edge is None else edge
    tails = (
        select(func.max(EventRow.seq).label("seq"))
        .join(Boot, EventRow.boot_id == Boot.id)
        .where(Boot.boot.in_(boots), EventRow.seq < until)
        .group_by(EventRow.boot_id)
        .subquery()
    )
    tail = connection.execute(select(func.min(tails.c.seq))).scalar_one()
    before = until if tail is None else tail
    start = select(func.max(EventRow.seq)).where(EventRow.seq <= before, EventRow.kind == "station-started")
    started = connection.execute(start).scalar_one() or 1
    # Of each unit the newest event of a step before that start; beside a maximum SQLite gives its row's kind.
    newest = (
        select(EventRow.kind, func.max(EventRow.seq).label("seq"))
        .where(EventRow.kind.in_(_OF_A_STEP), EventRow.seq < started)
        .group_by(EventRow.unit)
        .subquery()
    )
    oldest_open = connection.execute(
        select(func.min(newest.c.seq)).where(newest.c.kind == "step-started")
    ).scalar_one()
    return Range(started if oldest_open is None else oldest_open, last + 1)
