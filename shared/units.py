"""Units as the record has them: their stays at the bench, their steps, how hot and how long they were."""

from collections.abc import Sequence
from math import inf
from typing import Any, NamedTuple, TypeAlias

import msgspec
from sqlalchemy import Connection, and_, case, func, select

from shared import closed_heat, heat
from shared.alarm_lives import Life
from shared.events import EventBody
from shared.records import Boot, ClosedHeatRow, EventRow, PlacementRow, ReadingRow, StepRow, UnitRow
from shared.timeline import rfc3339


class UnitFilter(NamedTuple):
    """Which units to list; None leaves a condition out. ``outcome`` is ``open`` for those not closed."""

    unit: str | None = None
    model: str | None = None
    job: str | None = None
    outcome: str | None = None


EVERY_UNIT = UnitFilter()


class StepRecord(NamedTuple):
    """One attempt at a step, with its boots' names and wall times; None: not ended, or undated."""

    step: str
    attempt: int
    technician: str | None
    boot: str
    started_ms: int
    started_wall_ms: int | None
    ended_boot: str | None
    ended_ms: int | None
    result: str | None
    findings: dict[str, str]
    ended_wall_ms: int | None = None


class UnitRecord(NamedTuple):
    """Everything on record of one unit; events with their wall time in Unix ms, None while unknown."""

    unit: str
    model: str
    job: str | None
    outcome: str | None
    steps: list[StepRecord]
    heat: dict[str, Any]
    intervals: list[heat.Interval]
    step_intervals: list[tuple[str, heat.Interval]]
    runs: list[heat.Run]
    events: list[tuple[int | None, EventBody]]
    alarms: list[Life]


class UnitHeat(NamedTuple):
    """A closed unit's outcome, hottest reading in °C, and minutes at or above 80 °C."""

    unit: str
    model: str
    outcome: str
    peak_c: float
    hot_min: float


def listed(connection: Connection, which: UnitFilter = EVERY_UNIT) -> list[dict[str, Any]]:
    """Units' stays at the bench, in order of booking in, with their steps so far."""
    wanted = {"model": which.model, "job": which.job, "unit": which.unit}
    return [
        stay
        for stay in stays(connection, None if which.unit is None else {which.unit}).values()
        if all(value is None or stay[key] == value for key, value in wanted.items())
        and which.outcome in (None, stay["outcome"])
    ]


def stays(connection: Connection, names: set[str] | None) -> dict[int, dict[str, Any]]:
    """The stays of these units (None: of all) by the seq of their booking in."""
    query = (
        select(UnitRow, Boot.wall_offset_ms, EventRow.mono_ms)
        .join(EventRow, EventRow.seq == UnitRow.booked_seq)
        .join(Boot, Boot.id == EventRow.boot_id)
        .order_by(UnitRow.booked_seq)
    )
    run = select(StepRow.started_seq, StepRow.unit, StepRow.step, StepRow.result).order_by(
        StepRow.started_seq
    )
    if names is not None:
        query, run = query.where(UnitRow.unit.in_(names)), run.where(StepRow.unit.in_(names))
    units = connection.execute(query).all()
    steps = connection.execute(run).all()
    of_unit: dict[str, list[Any]] = {}
    for step in steps:
        of_unit.setdefault(step.unit, []).append(step)
    until: dict[int, float] = {}
    next_stay: dict[str, float] = {}
    for unit in reversed(units):  # a stay ends where it is closed, or where the unit is booked in anew
        until[unit.booked_seq] = min(unit.closed_seq or inf, next_stay.get(unit.unit, inf))
        next_stay[unit.unit] = unit.booked_seq
    return {
        unit.booked_seq: {
            "unit": unit.unit,
            "model": unit.model,
            "job": unit.job,
            "booked_in": rfc3339(None if unit.wall_offset_ms is None else unit.mono_ms + unit.wall_offset_ms),
            "outcome": unit.outcome or "open",
            "steps": [
                {"step": step.step, "result": step.result or "running"}
                for step in of_unit.get(unit.unit, [])
                if unit.booked_seq < step.started_seq < until[unit.booked_seq]
            ],
        }
        for unit in units
    }


def stay_page(
    connection: Connection, after: int, limit: int, which: UnitFilter = EVERY_UNIT
) -> list[tuple[int, dict[str, Any]]]:
    """At most ``limit`` stays booked in beyond a seq, each with that seq; as `listed` tells them."""
    query = select(UnitRow.booked_seq, UnitRow.unit).where(UnitRow.booked_seq > after)
    for column, value in (
        (UnitRow.unit, which.unit), (UnitRow.model, which.model), (UnitRow.job, which.job),
    ):  # fmt: skip
        if value is not None:
            query = query.where(column == value)
    if which.outcome is not None:
        query = query.where(func.coalesce(UnitRow.outcome, "open") == which.outcome)
    page = connection.execute(query.order_by(UnitRow.booked_seq).limit(limit)).all()
    names = {row.unit for row in page}
    told = stays(connection, names) if names else {}
    return [(row.booked_seq, told[row.booked_seq]) for row in page]


def steps_of(connection: Connection, unit: str) -> list[StepRecord]:
    """Every attempt at a step of a unit, oldest first."""
    boots = {row.id: row for row in connection.execute(select(Boot.id, Boot.boot, Boot.wall_offset_ms))}
    rows = connection.execute(
        select(StepRow.__table__).where(StepRow.unit == unit).order_by(StepRow.started_seq)
    )
    steps = []
    for row in rows:
        offset_ms = boots[row.boot_id].wall_offset_ms
        end = None if row.ended_boot_id is None else boots[row.ended_boot_id]
        end_offset_ms = None if end is None else end.wall_offset_ms
        dated = end_offset_ms is not None and row.ended_ms is not None
        findings = msgspec.json.decode(row.findings, type=dict[str, str]) if row.findings else {}
        steps.append(
            StepRecord(
                step=row.step,
                attempt=row.attempt,
                technician=row.technician,
                boot=boots[row.boot_id].boot,
                started_ms=row.started_ms,
                started_wall_ms=None if offset_ms is None else row.started_ms + offset_ms,
                ended_boot=None if end is None else end.boot,
                ended_ms=row.ended_ms,
                result=row.result,
                findings=findings,
                ended_wall_ms=row.ended_ms + end_offset_ms if dated else None,
            )
        )
    return steps


def newest_closed(connection: Connection, newest: int) -> list[UnitHeat]:
    """How hot and how long the units closed last were, newest first; those never read are left out.

    As it was kept when they were closed; of others from whole seconds of record.
    """
    query = (
        select(UnitRow, ClosedHeatRow.body)
        .outerjoin(
            ClosedHeatRow,
            and_(
                ClosedHeatRow.booked_seq == UnitRow.booked_seq,
                ClosedHeatRow.arithmetic == heat.ARITHMETIC,
            ),
        )
        .where(UnitRow.closed_seq.is_not(None))
        .order_by(UnitRow.closed_seq.desc())
        .limit(newest)
    )
    closed = connection.execute(query).all()
    kept = {stay.closed_seq: _kept_peak(stay.body) for stay in closed if stay.body is not None}
    read = _peaks(connection, [stay.unit for stay in closed if stay.closed_seq not in kept])
    found = []
    for stay in closed:
        peak_c, hot_min = kept.get(stay.closed_seq) or read.get(stay.unit, (None, 0.0))
        if peak_c is not None:
            found.append(UnitHeat(stay.unit, stay.model, stay.outcome or "open", peak_c, hot_min))
    return found


_Peak: TypeAlias = tuple[float | None, float]
"""Hottest reading in °C, None where there was none; minutes at or above 80 °C."""


def _kept_peak(body: str) -> _Peak:
    kept = closed_heat.decoded(body) or {}
    return kept.get("peak_c"), kept.get("time_above_s", {}).get("80", 0.0) / 60


def _peaks(connection: Connection, units: Sequence[str]) -> dict[str, _Peak]:
    """What whole seconds of record say of units, all placements of each together."""
    hot_ms = func.sum(case((ReadingRow.plate_mean_cc >= 8000, ReadingRow.valid_ms), else_=0))
    query = (
        select(PlacementRow.unit, func.max(ReadingRow.plate_max_cc), hot_ms)
        .join(
            ReadingRow,
            and_(
                ReadingRow.boot_id == PlacementRow.boot_id,
                ReadingRow.second >= PlacementRow.placed_ms.op("/")(1000),
                ReadingRow.second <= PlacementRow.removed_ms.op("/")(1000),
            ),
        )
        .where(PlacementRow.unit.in_(units))
        .group_by(PlacementRow.unit)
    )
    return {
        unit: (None if peak_cc is None else peak_cc / 100, hot / 60_000)
        for unit, peak_cc, hot in (connection.execute(query) if units else ())
    }
