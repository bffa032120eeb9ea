"""Which events a stretch of days is told from: its own, and those before it that tell how things stood."""

from typing import NamedTuple

from sqlalchemy import Connection, func, select

from shared.records import Boot, EventRow

_WALL_MS = EventRow.mono_ms + Boot.wall_offset_ms
_OF_A_STEP = ("step-started", "step-finished", "step-abandoned")


class Range(NamedTuple):
    """Events by their seq, both ends included; empty where the last comes before the first."""

    first: int
    last: int


def told_from(connection: Connection, from_ms: int, to_ms: int) -> Range:
    """The events that a walk needs to tell all of a stretch of time (Unix ms, the end excluded).

    They begin with the last start of the station before the stretch, because a start knows no proof of
    extraction, or with the start of the oldest step that was open at that start. They end with the first
    event beyond the stretch: until then, what its last event began may have lasted. Only events are asked, no
    table that is derived from them.
    """
    dated = select(func.min(EventRow.seq), func.max(EventRow.seq)).join(Boot, EventRow.boot_id == Boot.id)
    edge = connection.execute(dated.where(_WALL_MS >= from_ms)).one()[0]
    last = connection.execute(dated.where(_WALL_MS < to_ms)).one()[1]
    if last is None:
        return Range(1, 0)
    # What the last dated event before the stretch began may reach into it.
    before = (
        connection.execute(
            dated.where(_WALL_MS.is_not(None), EventRow.seq < (last + 1 if edge is None else edge))
        ).one()[1]
        or 0
    )
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
