"""The heat history of a unit, from the record or as it was kept when the unit was closed."""

from typing import Any, NamedTuple

import msgspec
from sqlalchemy import BindParameter, Connection, bindparam, func, select

from shared import heat, plate_time
from shared.records import ClosedHeatRow, PlacementRow, StepRow, UnitRow

_WANTED: BindParameter[str] = bindparam("wanted")
_LATEST = (
    select(
        UnitRow.booked_seq,
        UnitRow.closed_seq,
        ClosedHeatRow.arithmetic,
        ClosedHeatRow.body,
        select(func.max(PlacementRow.placed_seq))
        .where(PlacementRow.unit == _WANTED)
        .scalar_subquery()
        .label("placed_seq"),
        select(func.max(StepRow.started_seq))
        .where(StepRow.unit == _WANTED)
        .scalar_subquery()
        .label("started_seq"),
    )
    .outerjoin(ClosedHeatRow, ClosedHeatRow.booked_seq == UnitRow.booked_seq)
    .where(UnitRow.unit == _WANTED)
    .order_by(UnitRow.booked_seq.desc())
    .limit(1)
)


def from_record(
    connection: Connection, unit: str, retrim: tuple[float, float] | None = None
) -> dict[str, Any]:
    """The heat history of a unit, added up from its seconds of record (see `heat.history`).

    Args:
        connection: to a station's database.
        unit: its name.
        retrim: gain and offset in °C to judge the record by, instead of those in force when it was made.
    """
    placed = plate_time.placements(connection, unit)
    intervals = [at.interval for at in placed]
    steps = plate_time.step_intervals(connection, unit)
    rows = [row for interval in intervals for row in plate_time.rows(connection, interval)]
    if retrim is not None:
        trims = plate_time.trims(connection)
        rows = [plate_time.retrimmed(row, trims, retrim) for row in rows]
    return heat.history(unit, intervals, rows, steps, plate_time.unseen(placed))


class Stay(NamedTuple):
    """The latest stay of a unit.

    ``over``: it was closed, and nothing was done with the unit afterwards, so that its record is complete.
    ``kept``: the heat history kept of it; None where there is none, or other arithmetic made it.
    """

    booked_seq: int
    over: bool
    kept: str | None


def latest_stay(connection: Connection, unit: str) -> Stay | None:
    """The latest stay of a unit; None where the database does not know it."""
    row = connection.execute(_LATEST, {"wanted": unit}).first()
    if row is None:
        return None
    over = row.closed_seq is not None and max(row.placed_seq or 0, row.started_seq or 0) < row.closed_seq
    kept = row.body if over and row.arithmetic == heat.ARITHMETIC else None
    return Stay(row.booked_seq, over, kept)


def of_unit(connection: Connection, unit: str) -> dict[str, Any] | None:
    """The heat history of a unit, as kept where it was; None where the database does not know the unit."""
    stay = latest_stay(connection, unit)
    if stay is None:
        return None
    kept = None if stay.kept is None else decoded(stay.kept)
    return from_record(connection, unit) if kept is None else kept


def decoded(body: str) -> dict[str, Any] | None:
    """A heat history as it was kept; None where the text is none any more."""
    try:
        found = msgspec.json.decode(body)
    except (msgspec.DecodeError, TypeError, UnicodeError):
        return None
    return found if isinstance(found, dict) else None
