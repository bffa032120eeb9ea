"""Keeping the heat history of closed units: made once their readings are on disk, made anew, compared.

What is kept is no evidence of its own. The readings are, and `compare` holds the one against the other.
"""

from collections.abc import Callable
from math import isclose
from pathlib import Path
from typing import Any

import msgspec
from sqlalchemy import Connection, and_, delete, func, insert, select

from shared import closed_heat, heat
from shared.problems import FailureError
from shared.records import Boot, ClosedHeatRow, EventRow, PlacementRow, ReadingRow, UnitRow

# The exponential function is not the same to the last bit on every machine, and figures are rounded to 0.001.
TOLERANCE = 0.0021


def lacking(connection: Connection, newest: int | None = None) -> list[str]:
    """The units closed last of which nothing is kept that is used, at most so many (None: all).

    The oldest first. Figures by older arithmetic are not used; those by newer are left to who made them.
    """
    used = and_(ClosedHeatRow.booked_seq == UnitRow.booked_seq, ClosedHeatRow.arithmetic >= heat.ARITHMETIC)
    query = (
        select(UnitRow.unit)
        .outerjoin(ClosedHeatRow, used)
        .where(UnitRow.closed_seq.is_not(None), ClosedHeatRow.booked_seq.is_(None))
        .order_by(UnitRow.booked_seq.desc())
        .limit(newest)
    )
    return list(dict.fromkeys(reversed(connection.execute(query).scalars().all())))


def keep(connection: Connection, unit: str) -> bool:
    """Keep the heat history of a unit; False while its record may still grow."""
    stay = closed_heat.latest_stay(connection, unit)
    if stay is None or not stay.over or not _all_on_disk(connection, unit):
        return False
    stays = select(UnitRow.booked_seq).where(UnitRow.unit == unit)
    connection.execute(delete(ClosedHeatRow).where(ClosedHeatRow.booked_seq.in_(stays)))
    body = msgspec.json.encode(closed_heat.from_record(connection, unit)).decode()
    row = {"booked_seq": stay.booked_seq, "arithmetic": heat.ARITHMETIC, "body": body}
    connection.execute(insert(ClosedHeatRow).values(row))
    return True


def _all_on_disk(connection: Connection, unit: str) -> bool:
    """Whether no second of the unit on the plate can come any more: those of its boot went beyond it."""
    newest_boot = connection.execute(select(func.max(Boot.id))).scalar_one()
    places = select(PlacementRow.boot_id, PlacementRow.removed_ms).where(PlacementRow.unit == unit)
    for boot_id, removed_ms in connection.execute(places).all():
        if removed_ms is None:
            return False
        if boot_id == newest_boot:
            last = select(func.max(ReadingRow.second)).where(ReadingRow.boot_id == boot_id)
            if (connection.execute(last).scalar_one() or 0) <= removed_ms // 1000:
                return False
    return True


def forget(connection: Connection, boot_id: int) -> list[str]:
    """Forget what is kept of units that lay on the plate over the start or end of a boot; which they are.

    The boot has another date now, so that the time between it and its neighbours is another.
    """
    here = select(PlacementRow.unit).where(PlacementRow.boot_id == boot_id)
    started = select(EventRow.seq).where(EventRow.kind == "station-started")
    went_on = select(PlacementRow.unit).where(PlacementRow.placed_seq.in_(started))
    query = (
        select(ClosedHeatRow.booked_seq, UnitRow.unit)
        .join(UnitRow, UnitRow.booked_seq == ClosedHeatRow.booked_seq)
        .where(UnitRow.unit.in_(here), UnitRow.unit.in_(went_on))
        .order_by(UnitRow.booked_seq)
    )
    rows = connection.execute(query).all()
    if rows:
        stays = [row.booked_seq for row in rows]
        connection.execute(delete(ClosedHeatRow).where(ClosedHeatRow.booked_seq.in_(stays)))
    return list(dict.fromkeys(row.unit for row in rows))


def make_anew(connection: Connection, progress: Callable[[int, int], None] | None = None) -> int:
    """Make anew what is kept of every closed unit; how many that are.

    ``progress`` is told (units done, units in all).
    """
    connection.execute(delete(ClosedHeatRow))
    units = lacking(connection)
    kept = 0
    for done, unit in enumerate(units, start=1):
        kept += keep(connection, unit)
        if progress is not None:
            progress(done, len(units))
    return kept


def compare(connection: Connection, path: Path, progress: Callable[[int, int], None] | None = None) -> None:
    """Compare what is kept with what the readings come to; ``progress`` is told (units done, units in all).

    What is not used is not compared: a stay that another followed, figures by other arithmetic.

    Raises:
        FailureError: names the first unit that differs, and the figure.
    """
    query = select(UnitRow.unit).join(ClosedHeatRow, ClosedHeatRow.booked_seq == UnitRow.booked_seq)
    units = list(dict.fromkeys(connection.execute(query.order_by(UnitRow.booked_seq)).scalars()))
    for done, unit in enumerate(units, start=1):
        stay = closed_heat.latest_stay(connection, unit)
        if stay is not None and stay.kept is not None:
            kept = closed_heat.decoded(stay.kept)
            # Through JSON as well, so that like is compared with like.
            made = msgspec.json.decode(msgspec.json.encode(closed_heat.from_record(connection, unit)))
            difference = "it is no heat history" if kept is None else _difference(kept, made, "")
            if difference is not None:
                raise FailureError(
                    f"{path}: closed_heat, unit {unit!r}: {difference}. One of the two was changed; "
                    "benchward migrate --roll-up makes what is kept anew from the readings."
                )
        if progress is not None:
            progress(done, len(units))


def _difference(kept: Any, made: Any, where: str) -> str | None:
    """The first difference of two values as JSON has them, in words."""
    if isinstance(kept, dict) and isinstance(made, dict) and kept.keys() == made.keys():
        pairs = [(f"{where}.{key}" if where else key, kept[key], made[key]) for key in kept]
    elif isinstance(kept, list) and isinstance(made, list) and len(kept) == len(made):
        pairs = [(f"{where}[{index}]", *both) for index, both in enumerate(zip(kept, made, strict=True))]
    elif _same(kept, made):
        return None
    else:
        return f"{where or 'it'} is kept as {kept!r}, its readings give {made!r}"
    found = (_difference(one, other, name) for name, one, other in pairs)
    return next((what for what in found if what is not None), None)


def _same(kept: Any, made: Any) -> bool:
    if isinstance(kept, int | float) and isinstance(made, int | float):
        return isclose(kept, made, rel_tol=1e-9, abs_tol=TOLERANCE)
    return bool(kept == made)
