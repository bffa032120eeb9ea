"""Questions to a station's database: events, units, seconds of record, heat, and whether it is whole.

Reads only; used by the command line, the link and the dashboard alike. Every answer is paged or bounded, so
that no reading transaction stays open for long.
"""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from math import inf
from pathlib import Path
from typing import Any, NamedTuple

import msgspec
from sqlalchemy import Connection, Select, and_, case, func, select, text
from sqlalchemy.exc import DBAPIError

from shared import chain, heat, plate_time
from shared.alarm_lives import Life, lives
from shared.alarm_performance import Span
from shared.database import reading_engine
from shared.events import EventBody, EventRecord
from shared.messages import Second
from shared.problems import FailureError, InputError
from shared.records import (
    QUALITIES,
    Boot,
    CursorRow,
    EventRow,
    PlacementRow,
    ReadingRow,
    StepRow,
    UnitRow,
)
from shared.timeline import Moment, rfc3339

PAGE = 1000

_BODY: msgspec.json.Decoder[EventBody] = msgspec.json.Decoder(EventBody)


class Dated(NamedTuple):
    """An event and its wall time in Unix milliseconds, None while its boot's offset is unknown."""

    record: EventRecord
    wall_ms: int | None

    def to_dict(self) -> dict[str, Any]:
        """The printed form."""
        return self.record.to_dict(self.wall_ms)


class Place(NamedTuple):
    """A place in the record of seconds: a boot's number in this database, and a second of it."""

    boot_id: int
    second: int


class BootSpan(NamedTuple):
    """Where a boot's record begins, and its offset to wall time in ms, None while unknown."""

    start: Place
    wall_offset_ms: int | None


class DatedSecond(NamedTuple):
    """A second of record, its place, and its wall time in Unix milliseconds if known."""

    place: Place
    second: Second
    wall_ms: int | None


class Filter(NamedTuple):
    """Which events to list; None leaves a condition out. Times are Unix milliseconds, the end excluded."""

    kind: str | None = None
    unit: str | None = None
    from_ms: int | None = None
    to_ms: int | None = None


_EVERYTHING = Filter()


class UnitFilter(NamedTuple):
    """Which units to list; None leaves a condition out. ``outcome`` is ``open`` for those not closed."""

    unit: str | None = None
    model: str | None = None
    job: str | None = None
    outcome: str | None = None


_EVERY_UNIT = UnitFilter()


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


class History:
    """A station's database, open for reading."""

    def __init__(self, path: Path) -> None:
        """Open the database.

        Raises:
            InputError: there is no such file, or it is no database of a station.
        """
        self.path = path
        self._engine = reading_engine(path)

    def close(self) -> None:
        """Let go of the file."""
        self._engine.dispose()

    def __enter__(self) -> "History":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @contextmanager
    def _connect(self) -> Iterator[Connection]:
        """A connection whose failures name the file and say what to do."""
        try:
            with self._engine.connect() as connection:
                yield connection
        except DBAPIError as error:
            raise FailureError(f"{self.path}: cannot be read: {error.orig}. Run benchward verify.") from error

    def events(self, after: int = 0, which: Filter = _EVERYTHING) -> Iterator[Dated]:
        """Events beyond a seq, oldest first; each page is a transaction of its own."""
        while page := self.event_page(after, PAGE, which):
            yield from page
            after = page[-1].record.seq

    def event_page(self, after: int, limit: int, which: Filter = _EVERYTHING) -> list[Dated]:
        """At most ``limit`` events beyond a seq, oldest first."""
        query = (
            select(EventRow, Boot.boot, Boot.wall_offset_ms)
            .join(Boot, EventRow.boot_id == Boot.id)
            .where(EventRow.seq > after)
            .order_by(EventRow.seq)
            .limit(limit)
        )
        with self._connect() as connection:
            return [_dated(row) for row in connection.execute(_filtered(query, which))]

    def moments(self) -> Iterator[tuple[Moment, EventBody]]:
        """All events with their moments, for folding into a state."""
        for record, wall_ms in self.events():
            yield Moment(record.boot, record.mono_ms, wall_ms), record.body

    def told(self, which: Filter = _EVERYTHING) -> Iterator[tuple[int, Moment, EventBody]]:
        """Events with their seq and moment, oldest first."""
        for record, wall_ms in self.events(which=which):
            yield record.seq, Moment(record.boot, record.mono_ms, wall_ms), record.body

    def spans(self, from_ms: int | None = None, to_ms: int | None = None) -> list[Span]:
        """When the station ran, boot by boot.

        With a time given (Unix ms, the end excluded) only what lies within it; boots whose wall time is
        unknown are left out then.
        """
        found = []
        with self._connect() as connection:
            begun = func.min(EventRow.mono_ms).label("begun")
            boots = select(Boot.id, Boot.boot, Boot.wall_offset_ms, begun)
            boots = boots.join(EventRow, EventRow.boot_id == Boot.id).group_by(Boot.id).order_by(Boot.id)
            for row in connection.execute(boots).all():
                start_ms, end_ms = row.begun, plate_time.last_known_ms(connection, row.id)
                if row.wall_offset_ms is None and (from_ms is not None or to_ms is not None):
                    continue
                if from_ms is not None:
                    start_ms = max(start_ms, from_ms - row.wall_offset_ms)
                if to_ms is not None:
                    end_ms = min(end_ms, to_ms - row.wall_offset_ms)
                if end_ms > start_ms:
                    found.append(Span(row.boot, start_ms, end_ms))
        return found

    def seconds_page(self, after: Place, limit: int) -> list[DatedSecond]:
        """At most ``limit`` seconds of record beyond a place, oldest first."""
        later = (ReadingRow.boot_id > after.boot_id) | (
            (ReadingRow.boot_id == after.boot_id) & (ReadingRow.second > after.second)
        )
        query = (
            select(ReadingRow, Boot.boot, Boot.wall_offset_ms)
            .join(Boot, ReadingRow.boot_id == Boot.id)
            .where(later)
            .order_by(ReadingRow.boot_id, ReadingRow.second)
            .limit(limit)
        )
        with self._connect() as connection:
            return [_dated_second(row) for row in connection.execute(query)]

    def boot(self, name: str) -> BootSpan:
        """What is recorded of one boot.

        Raises:
            InputError: this database does not know the boot; the message names those it knows.
        """
        with self._connect() as connection:
            row = connection.execute(
                select(Boot.id, Boot.wall_offset_ms).where(Boot.boot == name)
            ).one_or_none()
            known = connection.execute(select(Boot.boot).order_by(Boot.id.desc()).limit(5)).scalars().all()
            if row is None:
                raise InputError(
                    f"{self.path}: boot is {name!r}, which this record does not know; the latest are "
                    f"{', '.join(known) or 'none'}."
                )
            return BootSpan(Place(row.id, -1), row.wall_offset_ms)

    def seconds_of(self, name: str) -> Iterator[Second]:
        """The seconds of record of one boot, oldest first."""
        after = self.boot(name).start
        while page := self.seconds_page(after, PAGE):
            for found in page:
                if found.second.boot != name:
                    return
                yield found.second
            after = page[-1].place

    def cursor(self, name: str) -> Place:
        """Up to where a follower has got; the very beginning for one that never was here."""
        with self._connect() as connection:
            row = connection.execute(
                select(CursorRow.position, CursorRow.boot_id).where(CursorRow.name == name)
            ).first()
        return Place(0, -1) if row is None else Place(row.boot_id or 0, row.position)

    def counts(self) -> dict[str, int]:
        """How many seconds of record, events, alarms raised and units the database holds."""
        with self._connect() as connection:

            def count(query: Select[int]) -> int:
                return int(connection.execute(query).scalar_one())

            raised = select(func.count()).where(EventRow.kind == "alarm-raised")
            return {
                "readings": count(select(func.count()).select_from(ReadingRow)),
                "events": count(select(func.count()).select_from(EventRow)),
                "alarms": count(raised),
                "units": count(select(func.count()).select_from(UnitRow)),
            }

    def units(self, which: UnitFilter = _EVERY_UNIT) -> list[dict[str, Any]]:
        """Units' stays at the bench, in order of booking in, with their steps so far."""
        wanted = {"model": which.model, "job": which.job, "unit": which.unit}
        query = (
            select(UnitRow, Boot.wall_offset_ms, EventRow.mono_ms)
            .join(EventRow, EventRow.seq == UnitRow.booked_seq)
            .join(Boot, Boot.id == EventRow.boot_id)
            .order_by(UnitRow.booked_seq)
        )
        with self._connect() as connection:
            units = connection.execute(query).all()
            steps = connection.execute(
                select(StepRow.started_seq, StepRow.unit, StepRow.step, StepRow.result).order_by(
                    StepRow.started_seq
                )
            ).all()
        of_unit: dict[str, list[Any]] = {}
        for step in steps:
            of_unit.setdefault(step.unit, []).append(step)
        until: dict[int, float] = {}
        next_stay: dict[str, float] = {}
        for unit in reversed(units):  # a stay ends where it is closed, or where the unit is booked in anew
            until[unit.booked_seq] = min(unit.closed_seq or inf, next_stay.get(unit.unit, inf))
            next_stay[unit.unit] = unit.booked_seq
        return [
            {
                "unit": unit.unit,
                "model": unit.model,
                "job": unit.job,
                "booked_in": rfc3339(
                    None if unit.wall_offset_ms is None else unit.mono_ms + unit.wall_offset_ms
                ),
                "outcome": unit.outcome or "open",
                "steps": [
                    {"step": step.step, "result": step.result or "running"}
                    for step in of_unit.get(unit.unit, [])
                    if unit.booked_seq < step.started_seq < until[unit.booked_seq]
                ],
            }
            for unit in units
            if all(value is None or getattr(unit, key) == value for key, value in wanted.items())
            and which.outcome in (None, unit.outcome or "open")
        ]

    def knows_unit(self, unit: str) -> bool:
        """Whether the unit was ever booked in."""
        with self._connect() as connection:
            return connection.execute(select(UnitRow.unit).where(UnitRow.unit == unit)).first() is not None

    def heat(self, unit: str, retrim: tuple[float, float] | None = None) -> dict[str, Any]:
        """The heat history of a unit over all its placements (see `heat.history`).

        Args:
            unit: its name.
            retrim: gain and offset in °C to judge the record by, instead of those in force when it was made.

        Raises:
            InputError: this database does not know the unit.
        """
        with self._connect() as connection:
            if not connection.execute(select(UnitRow.unit).where(UnitRow.unit == unit)).first():
                raise InputError(f"{self.path}: unit is {unit!r}, which this record does not know.")
            intervals = plate_time.intervals(connection, unit)
            steps = plate_time.step_intervals(connection, unit)
            rows = [row for interval in intervals for row in plate_time.rows(connection, interval)]
            if retrim is not None:
                trims = plate_time.trims(connection)
                rows = [plate_time.retrimmed(row, trims, retrim) for row in rows]
        return heat.history(unit, intervals, rows, steps)

    def unit_record(self, unit: str) -> UnitRecord:
        """Everything on record of one unit.

        Raises:
            InputError: this database does not know the unit.
        """
        stays = self.units(UnitFilter(unit=unit))
        found = self.heat(unit)
        with self._connect() as connection:
            intervals = plate_time.intervals(connection, unit)
            step_intervals = plate_time.step_intervals(connection, unit)
            runs = [
                run
                for interval in intervals
                for run in heat.runs_within(interval, plate_time.rows(connection, interval))
            ]
            steps = self._steps_of(connection, unit)
        told = list(self.told(Filter(unit=unit)))
        last = stays[-1]
        return UnitRecord(
            unit=unit,
            model=last["model"],
            job=last["job"],
            outcome=None if last["outcome"] == "open" else last["outcome"],
            steps=steps,
            heat=found,
            intervals=intervals,
            step_intervals=step_intervals,
            runs=runs,
            events=[(moment.wall_ms, body) for _, moment, body in told],
            alarms=lives(told),
        )

    def _steps_of(self, connection: Connection, unit: str) -> list[StepRecord]:
        boots = {row.id: row for row in connection.execute(select(Boot.id, Boot.boot, Boot.wall_offset_ms))}
        rows = connection.execute(
            select(StepRow.__table__).where(StepRow.unit == unit).order_by(StepRow.started_seq)
        )
        steps = []
        for row in rows:
            offset_ms = boots[row.boot_id].wall_offset_ms
            ended = None if row.ended_boot_id is None else boots[row.ended_boot_id].boot
            findings = msgspec.json.decode(row.findings, type=dict[str, str]) if row.findings else {}
            steps.append(
                StepRecord(
                    step=row.step,
                    attempt=row.attempt,
                    technician=row.technician,
                    boot=boots[row.boot_id].boot,
                    started_ms=row.started_ms,
                    started_wall_ms=None if offset_ms is None else row.started_ms + offset_ms,
                    ended_boot=ended,
                    ended_ms=row.ended_ms,
                    result=row.result,
                    findings=findings,
                )
            )
        return steps

    def closed_heat(self, newest: int = 500) -> list[UnitHeat]:
        """How hot and how long the units closed last were, from whole seconds of record, newest first."""
        closed = (
            select(UnitRow.unit, UnitRow.model, UnitRow.outcome, UnitRow.closed_seq)
            .where(UnitRow.closed_seq.is_not(None))
            .order_by(UnitRow.closed_seq.desc())
            .limit(newest)
            .subquery()
        )
        hot_ms = func.sum(case((ReadingRow.plate_mean_cc >= 8000, ReadingRow.valid_ms), else_=0))
        query = (
            select(closed.c.unit, closed.c.model, closed.c.outcome, func.max(ReadingRow.plate_max_cc), hot_ms)
            .join(PlacementRow, PlacementRow.unit == closed.c.unit)
            .join(
                ReadingRow,
                and_(
                    ReadingRow.boot_id == PlacementRow.boot_id,
                    ReadingRow.second >= PlacementRow.placed_ms.op("/")(1000),
                    ReadingRow.second <= PlacementRow.removed_ms.op("/")(1000),
                ),
            )
            .group_by(closed.c.unit, closed.c.closed_seq)
            .order_by(closed.c.closed_seq.desc())
        )
        with self._connect() as connection:
            return [
                UnitHeat(unit, model, outcome or "open", peak_cc / 100, hot / 60_000)
                for unit, model, outcome, peak_cc, hot in connection.execute(query)
                if peak_cc is not None
            ]

    def hot_s(self, unit: str, from_c: float) -> float:
        """How long the unit has lain on the plate at or above a temperature, all placements together."""
        with self._connect() as connection:
            intervals = plate_time.intervals(connection, unit)
            return sum(
                heat.time_above_s(heat.runs_within(interval, plate_time.rows(connection, interval)), from_c)
                for interval in intervals
            )

    def verify(self, progress: Callable[[int, int], None] | None = None) -> chain.Verdict:
        """Walk the event chain and check the file itself.

        Args:
            progress: told (events walked, events in all) now and then.

        Raises:
            FailureError: the file is damaged.
        """
        with self._connect() as connection:
            found = connection.execute(text("PRAGMA quick_check(1)")).scalar_one()
        if found != "ok":
            raise FailureError(f"{self.path}: the file is damaged: {found}.")
        return chain.verify(self._printed() if progress is None else self._watched(progress))

    def _watched(self, progress: Callable[[int, int], None]) -> Iterator[dict[str, Any]]:
        with self._connect() as connection:
            whole = int(connection.execute(select(func.count()).select_from(EventRow)).scalar_one())
        for done, event in enumerate(self._printed(), start=1):
            if done % PAGE == 0 or done == whole:
                progress(done, whole)
            yield event

    def _printed(self) -> Iterator[dict[str, Any]]:
        """Events as stored; one whose columns contradict its body says so, so that no hash fits it."""
        after = 0
        columns = select(EventRow, Boot.boot).join(Boot, EventRow.boot_id == Boot.id).order_by(EventRow.seq)
        while True:
            with self._connect() as connection:
                page = connection.execute(columns.where(EventRow.seq > after).limit(PAGE)).all()
            if not page:
                return
            for row in page:
                after = row.seq
                fields = plate_time.stored_fields(row.body)
                if (row.kind, row.unit) != (fields.get("kind"), fields.get("unit")):
                    fields["contradicted"] = [row.kind, row.unit]
                fields |= {"seq": row.seq, "boot": row.boot, "mono_s": row.mono_ms / 1000}
                yield {**fields, "prev": row.prev, "hash": row.hash}


def _filtered(query: Select[*tuple[Any, ...]], which: Filter) -> Select[*tuple[Any, ...]]:
    if which.kind is not None:
        query = query.where(EventRow.kind == which.kind)
    if which.unit is not None:
        query = query.where(EventRow.unit == which.unit)
    wall_ms = EventRow.mono_ms + Boot.wall_offset_ms
    if which.from_ms is not None:
        query = query.where(wall_ms >= which.from_ms)
    if which.to_ms is not None:
        query = query.where(wall_ms < which.to_ms)
    return query


def _dated(row: Any) -> Dated:
    try:
        body = _BODY.decode(row.body)
    except (msgspec.DecodeError, TypeError, UnicodeError) as error:
        raise FailureError(f"Event {row.seq} is damaged: {error}. Run benchward verify.") from error
    record = EventRecord(
        seq=row.seq,
        boot=row.boot,
        mono_ms=row.mono_ms,
        body=body,
        prev=row.prev,
        hash=row.hash,
    )
    return Dated(record, None if row.wall_offset_ms is None else row.mono_ms + row.wall_offset_ms)


def _dated_second(row: Any) -> DatedSecond:
    second = Second(
        boot=row.boot,
        second=row.second,
        plate_mean_c=plate_time.unscaled(row.plate_mean_cc, 100),
        plate_min_c=plate_time.unscaled(row.plate_min_cc, 100),
        plate_max_c=plate_time.unscaled(row.plate_max_cc, 100),
        cold_junction_c=plate_time.unscaled(row.cold_junction_cc, 100),
        extraction_a=plate_time.unscaled(row.extraction_ma, 1000),
        solvent_out=None if row.solvent_out is None else bool(row.solvent_out),
        quality=QUALITIES[row.quality],
        valid_ms=row.valid_ms,
    )
    offset_ms = row.wall_offset_ms
    wall_ms = None if offset_ms is None else row.second * 1000 + offset_ms
    return DatedSecond(Place(row.boot_id, row.second), second, wall_ms)
