"""What a database says of a unit's time on the plate: when it lay there, which steps ran, what was recorded.

For `History.heat` and for the ledger, which needs to know where a boot's record ends.
"""

from collections.abc import Sequence
from itertools import pairwise
from typing import Any, NamedTuple

import msgspec
from sqlalchemy import Connection, Integer, String, bindparam, func, literal_column, select

from shared import heat
from shared.records import Boot, EventRow, PlacementRow, ReadingRow, StepRow
from shared.timeline import is_trace


def unscaled(value: int | None, factor: int) -> float | None:
    """A stored whole number as the quantity it stands for; None stays None."""
    return None if value is None else value / factor


def stored_fields(body: Any) -> dict[str, Any]:
    """An event's body as stored; what is no JSON object any more is shown as such, so no hash fits it."""
    try:
        fields = msgspec.json.decode(body)
    except (msgspec.DecodeError, TypeError, UnicodeError):
        fields = None
    return fields if isinstance(fields, dict) else {"unreadable": str(body)}


def last_known_ms(connection: Connection, boot_id: int) -> int:
    """The last moment of a boot that anything was recorded of, in its monotonic milliseconds."""
    told = connection.execute(select(func.max(EventRow.mono_ms)).where(EventRow.boot_id == boot_id))
    return end_ms(connection, boot_id, told.scalar_one())


def end_ms(connection: Connection, boot_id: int, told_ms: int | None) -> int:
    """The same where its last event (None: it has none) is known: events are not found by their boot.

    Whoever asks for many boots finds the last event of each in one pass over all.
    """
    newest = select(func.max(ReadingRow.second)).where(ReadingRow.boot_id == boot_id)
    second = connection.execute(newest).scalar_one()
    if second is None or (told_ms is not None and told_ms // 1000 >= second):
        return told_ms or 0
    return int(second + 1) * 1000


class Placed(NamedTuple):
    """When the unit lay on the plate, in one boot.

    ``went_on``: a start of the station found it there, on the plate since the interval before.
    """

    interval: heat.Interval
    wall_offset_ms: int | None
    went_on: bool


def placements(connection: Connection, unit: str) -> list[Placed]:
    """Every placement of a unit, in order; one still open ends with the record of its boot."""
    placed = connection.execute(
        select(
            PlacementRow.boot_id,
            Boot.boot,
            Boot.wall_offset_ms,
            PlacementRow.placed_ms,
            PlacementRow.removed_ms,
            EventRow.kind,
        )
        .join(Boot, PlacementRow.boot_id == Boot.id)
        .join(EventRow, PlacementRow.placed_seq == EventRow.seq)
        .where(PlacementRow.unit == unit)
        .order_by(PlacementRow.placed_seq)
    ).all()
    found = []
    for row in placed:
        end_ms = row.removed_ms
        if end_ms is None:
            end_ms = max(row.placed_ms, last_known_ms(connection, row.boot_id))
        interval = heat.Interval(row.boot, row.placed_ms / 1000, end_ms / 1000)
        found.append(Placed(interval, row.wall_offset_ms, row.kind == "station-started"))
    return found


def intervals(connection: Connection, unit: str) -> list[heat.Interval]:
    """When the unit lay on the plate; a placement still open ends with the record of its boot."""
    return [placed.interval for placed in placements(connection, unit)]


def unseen(placed: Sequence[Placed]) -> list[heat.Unseen]:
    """Between which placements the unit lay on while no station ran, and for how long where that is known."""
    found = []
    for before, after in pairwise(placed):
        if not after.went_on:
            continue
        from_s, next_from_s = before.interval.to_s, after.interval.from_s
        length_s = None
        if before.wall_offset_ms is not None and after.wall_offset_ms is not None:
            apart_ms = after.wall_offset_ms - before.wall_offset_ms
            length_s = round(next_from_s - from_s + apart_ms / 1000, 3)
            # A clock that was set back between the two says nothing of the time between.
            length_s = length_s if length_s >= 0 else None
        found.append(heat.Unseen(before.interval.boot, from_s, after.interval.boot, next_from_s, length_s))
    return found


def step_intervals(connection: Connection, unit: str) -> list[tuple[str, heat.Interval]]:
    """When each step ran, boot by boot: one that a restart cut goes on through the boots after it."""
    boots = {row.id: row.boot for row in connection.execute(select(Boot.id, Boot.boot).order_by(Boot.id))}
    rows = connection.execute(select(StepRow).where(StepRow.unit == unit).order_by(StepRow.started_seq))
    steps = []
    for row in rows:
        last_id = row.ended_boot_id or (row.boot_id if is_trace(boots[row.boot_id]) else max(boots))
        for boot_id in range(row.boot_id, last_id + 1):
            first = boot_id == row.boot_id
            if not first and is_trace(boots[boot_id]):
                continue  # a replay has a bench of its own
            begin_ms = row.started_ms if first else 0
            ended = boot_id == row.ended_boot_id and row.ended_ms is not None
            end_ms = row.ended_ms if ended else last_known_ms(connection, boot_id)
            steps.append((row.step, heat.Interval(boots[boot_id], begin_ms / 1000, end_ms / 1000)))
    return steps


def rows(connection: Connection, interval: heat.Interval) -> list[heat.Row]:
    """The seconds of record that an interval touches."""
    found = connection.execute(
        _ROWS,
        {"boot": interval.boot, "first": int(interval.from_s), "last": int(interval.to_s)},
    )
    return list(map(heat.Row._make, found))


# Hundredths are divided by the database: one rounding of the same quotient, and no work for each row here.
_ROWS = (
    select(
        Boot.boot,
        ReadingRow.second,
        ReadingRow.plate_mean_cc.op("/")(literal_column("100.0")),
        ReadingRow.plate_max_cc.op("/")(literal_column("100.0")),
        ReadingRow.valid_ms,
    )
    .join(Boot, ReadingRow.boot_id == Boot.id)
    .where(
        Boot.boot == bindparam("boot", type_=String),
        ReadingRow.second >= bindparam("first", type_=Integer),
        ReadingRow.second <= bindparam("last", type_=Integer),
    )
    .order_by(ReadingRow.second)
)


def trims(connection: Connection) -> dict[str, list[tuple[int, float, float]]]:
    """By boot, from which second on which gain and offset were in force, the newest last."""
    found = connection.execute(
        select(Boot.boot, EventRow.mono_ms, EventRow.body)
        .join(Boot, EventRow.boot_id == Boot.id)
        .where(EventRow.kind == "station-started")
        .order_by(EventRow.seq)
    )
    trims: dict[str, list[tuple[int, float, float]]] = {}
    for row in found:
        values = stored_fields(row.body).get("values", {})
        trim = (row.mono_ms // 1000, float(values.get("gain", 1.0)), float(values.get("offset_c", 0.0)))
        trims.setdefault(row.boot, []).append(trim)
    return trims


def retrimmed(
    row: heat.Row, trims: dict[str, list[tuple[int, float, float]]], retrim: tuple[float, float]
) -> heat.Row:
    """A row with the trim of its time taken back and another put on."""
    gain, offset_c = 1.0, 0.0
    for since, then_gain, then_offset_c in trims.get(row.boot, []):
        if since <= row.second:
            gain, offset_c = then_gain, then_offset_c

    def anew(plate_c: float | None) -> float | None:
        return None if plate_c is None else retrim[0] * (plate_c - offset_c) / gain + retrim[1]

    return row._replace(mean_c=anew(row.mean_c), max_c=anew(row.max_c))
