"""Questions to a station's database: events, units, seconds of record, heat, and whether it is whole.

Reads only; used by the command line, the link and the dashboard alike. Every answer is paged or bounded, so
that no reading transaction stays open for long.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from itertools import takewhile
from pathlib import Path
from typing import Any, TypeAlias

from sqlalchemy import Connection, Select, func, select, text
from sqlalchemy.exc import DBAPIError

from shared import air, chain, closed_heat, days, heat, plate_time, units
from shared.alarm_lives import lives
from shared.alarm_performance import Span
from shared.database import damage, reading_engine
from shared.events import EventBody
from shared.extraction import AirSecond
from shared.messages import Second
from shared.problems import DamagedError, FailureError, InputError
from shared.records import SCHEMA_VERSION, Boot, CursorRow, EventRow, ReadingRow, UnitRow
from shared.stored import (
    EVERYTHING,
    SECOND,
    BootSpan,
    Dated,
    DatedSecond,
    Filter,
    Place,
    StoredEvent,
    beyond,
    dated,
    dated_second,
    filtered,
    printed,
)
from shared.timeline import Moment
from shared.units import EVERY_UNIT, StepRecord, UnitFilter, UnitHeat, UnitRecord

PAGE = 1000
HeatRow: TypeAlias = heat.Row


class History:
    """A station's database, open for reading."""

    def __init__(self, path: Path, oldest: int = SCHEMA_VERSION) -> None:
        """Open the database.

        Args:
            path: a station's.
            oldest: the oldest schema that will do. Events and their chain have been the same since the first;
                what else there is may not be asked of an older file.

        Raises:
            InputError: there is no such file, or it is no database of a station.
        """
        self.path = path
        self._engine = reading_engine(path, oldest)

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
            kind = FailureError if damage(error) is None else DamagedError
            raise kind(f"{self.path}: cannot be read: {error.orig}. Run benchward verify.") from error

    def events(self, after: int = 0, which: Filter = EVERYTHING) -> Iterator[Dated]:
        """Events beyond a seq, oldest first; each page is a transaction of its own."""
        while page := self.event_page(after, PAGE, which):
            yield from page
            after = page[-1].record.seq

    def event_page(self, after: int, limit: int, which: Filter = EVERYTHING) -> list[Dated]:
        """At most ``limit`` events beyond a seq, oldest first."""
        return [dated(row) for row in self.event_rows(after, limit, which)]

    def event_rows(self, after: int, limit: int, which: Filter = EVERYTHING) -> Sequence[Any]:
        """The same as rows, each for `dated`: a damaged one keeps nobody from reading the others."""
        query = (
            select(EventRow, Boot.boot, Boot.wall_offset_ms)
            .join(Boot, EventRow.boot_id == Boot.id)
            .where(EventRow.seq > after)
            .order_by(EventRow.seq)
            .limit(limit)
        )
        with self._connect() as connection:
            return connection.execute(filtered(query, which)).all()

    def told(self, which: Filter = EVERYTHING, after: int = 0) -> Iterator[tuple[int, Moment, EventBody]]:
        """Events beyond a seq with their seq and moment, oldest first."""
        for record, wall_ms in self.events(after, which):
            yield record.seq, Moment(record.boot, record.mono_ms, wall_ms), record.body

    def told_about(self, from_ms: int, to_ms: int) -> list[tuple[int, Moment, EventBody]]:
        """The events from which a stretch of time (Unix ms, the end excluded) can be told, oldest first.

        Some lie before it, one beyond it, and some may have no date: `days.told_from`.
        """
        boots = [span.boot for span in self.spans(from_ms, to_ms)]
        with self._connect() as connection:
            wanted = days.told_from(connection, from_ms, to_ms, boots)
        return list(takewhile(lambda told: told[0] <= wanted.last, self.told(after=wanted.first - 1)))

    def undated(self) -> int:
        """How many events have no date, because the clock of their boot was never set."""
        query = select(func.count()).select_from(EventRow).join(Boot, EventRow.boot_id == Boot.id)
        with self._connect() as connection:
            return int(connection.execute(query.where(Boot.wall_offset_ms.is_(None))).scalar_one())

    def last_told(self, most: int) -> list[tuple[Moment, EventBody]]:
        """The newest events with their moments, oldest first."""
        with self._connect() as connection:
            newest = connection.execute(select(func.max(EventRow.seq))).scalar_one() or 0
        page = self.event_page(newest - most, most)
        return [(Moment(record.boot, record.mono_ms, wall_ms), record.body) for record, wall_ms in page]

    def seconds_from(self, moment: Moment) -> Iterator[Second]:
        """The seconds of record from a moment on, of its boot and all later ones, oldest first."""
        start = self.boot(moment.boot).start
        after = Place(start.boot_id, moment.mono_ms // 1000 - 1)
        while page := self.seconds_page(after, PAGE):
            yield from (found.second for found in page)
            after = page[-1].place

    def spans(self, from_ms: int | None = None, to_ms: int | None = None) -> list[Span]:
        """When the station ran, boot by boot.

        With a time given (Unix ms, the end excluded) only what lies within it; boots whose wall time is
        unknown are left out then.
        """
        found = []
        with self._connect() as connection:
            begun, told = func.min(EventRow.mono_ms).label("begun"), func.max(EventRow.mono_ms).label("told")
            boots = select(Boot.id, Boot.boot, Boot.wall_offset_ms, begun, told)
            boots = boots.join(EventRow, EventRow.boot_id == Boot.id).group_by(Boot.id).order_by(Boot.id)
            for row in connection.execute(boots).all():
                if row.wall_offset_ms is None and (from_ms is not None or to_ms is not None):
                    continue
                start_ms, end_ms = row.begun, plate_time.end_ms(connection, row.id, row.told)
                if from_ms is not None:
                    start_ms = max(start_ms, from_ms - row.wall_offset_ms)
                if to_ms is not None:
                    end_ms = min(end_ms, to_ms - row.wall_offset_ms)
                if end_ms > start_ms:
                    found.append(Span(row.boot, start_ms, end_ms))
        return found

    def seconds_page(self, after: Place, limit: int) -> list[DatedSecond]:
        """At most ``limit`` seconds of record beyond a place, oldest first."""
        return [dated_second(row) for row in self.second_rows(after, limit)]

    def second_rows(self, after: Place, limit: int) -> Sequence[Any]:
        """The same as rows, each for `dated_second`: a damaged one keeps nobody from reading the others."""
        query = (
            select(*SECOND, Boot.boot, Boot.wall_offset_ms)
            .join(Boot, ReadingRow.boot_id == Boot.id)
            .where(beyond(after))
            .order_by(ReadingRow.boot_id, ReadingRow.second)
            .limit(limit)
        )
        with self._connect() as connection:
            return connection.execute(query).all()

    def newest_second(self) -> Place | None:
        """The place of the newest second of record; None where there is none."""
        query = select(ReadingRow.boot_id, ReadingRow.second)
        query = query.order_by(ReadingRow.boot_id.desc(), ReadingRow.second.desc()).limit(1)
        with self._connect() as connection:
            row = connection.execute(query).first()
        return None if row is None else Place(row.boot_id, row.second)

    def seconds_beyond(self, after: Place, most: int) -> int:
        """How many seconds of record lie beyond a place, counted up to ``most``."""
        counted = select(ReadingRow.second).where(beyond(after)).limit(most).subquery()
        with self._connect() as connection:
            return int(connection.execute(select(func.count()).select_from(counted)).scalar_one())

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

    def seconds_of(self, name: str, progress: Callable[[int, int], None] | None = None) -> Iterator[Second]:
        """The seconds of record of one boot, oldest first.

        Args:
            name: the boot's.
            progress: told (seconds given, seconds in all) now and then.
        """
        after = self.boot(name).start
        whole = 0 if progress is None else self._seconds_in(after.boot_id)
        done = 0
        while page := self.seconds_page(after, PAGE):
            for found in page:
                if found.second.boot != name:
                    return
                yield found.second
            after, done = page[-1].place, done + len(page)
            if progress is not None:
                progress(done, whole)

    def _seconds_in(self, boot_id: int) -> int:
        query = select(func.count()).select_from(ReadingRow).where(ReadingRow.boot_id == boot_id)
        with self._connect() as connection:
            return int(connection.execute(query).scalar_one())

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

    def units(self, which: UnitFilter = EVERY_UNIT) -> list[dict[str, Any]]:
        """Units' stays at the bench, in order of booking in, with their steps so far."""
        with self._connect() as connection:
            return units.listed(connection, which)

    def stay_page(
        self, after: int, limit: int, which: UnitFilter = EVERY_UNIT
    ) -> list[tuple[int, dict[str, Any]]]:
        """At most ``limit`` stays booked in beyond a seq, each with that seq; as `units` tells them."""
        with self._connect() as connection:
            return units.stay_page(connection, after, limit, which)

    def knows_unit(self, unit: str) -> bool:
        """Whether the unit was ever booked in."""
        with self._connect() as connection:
            return connection.execute(select(UnitRow.unit).where(UnitRow.unit == unit)).first() is not None

    def heat(self, unit: str, retrim: tuple[float, float] | None = None) -> dict[str, Any]:
        """The heat history of a unit over all its placements (see `heat.history`); kept once it is closed.

        Args:
            unit: its name.
            retrim: gain and offset in °C to judge the record by, instead of those in force when it was made.

        Raises:
            InputError: this database does not know the unit.
        """
        with self._connect() as connection:
            if retrim is None:
                found = closed_heat.of_unit(connection, unit)
            else:
                known = closed_heat.latest_stay(connection, unit) is not None
                found = closed_heat.from_record(connection, unit, retrim) if known else None
        if found is None:
            raise InputError(f"{self.path}: unit is {unit!r}, which this record does not know.")
        return found

    def heat_rows(self, unit: str) -> list[tuple[HeatRow, int | None]]:
        """The seconds of record of the unit on the plate, each with its wall time in Unix ms if known."""
        found: list[tuple[HeatRow, int | None]] = []
        with self._connect() as connection:
            boots = select(Boot.boot, Boot.wall_offset_ms)
            offsets = {row.boot: row.wall_offset_ms for row in connection.execute(boots)}
            for interval in plate_time.intervals(connection, unit):
                offset_ms = offsets[interval.boot]
                for row in plate_time.rows(connection, interval):
                    found.append((row, None if offset_ms is None else 1000 * row.second + offset_ms))
        return found

    def air(
        self,
        running_from_a: float,
        split_ms: int | None = None,
        period_ms: tuple[int | None, int | None] = (None, None),
        progress: Callable[[int, int], None] | None = None,
    ) -> Iterator[AirSecond]:
        """What the extractor did, summed by the hour; of pruned stretches by the minute (see `shared.air`).

        Args:
            running_from_a: from which current in amperes on it counts as running.
            split_ms: when its filter was new, Unix ms; an hour is cut in two there.
            period_ms: from and to, Unix ms, the end excluded; with one given, boots whose wall time is
                unknown are left out.
            progress: told (stretches added up, stretches in all).
        """
        with self._connect() as connection:
            parts = air.slices(connection)
        for done, part in enumerate(parts, start=1):
            with self._connect() as connection:
                found = list(air.air(connection, part, running_from_a, split_ms, *period_ms))
            yield from found
            if progress is not None:
                progress(done, len(parts))

    def is_thinned(self) -> bool:
        """Whether seconds of record may have been pruned."""
        query = select(Boot.id).where(Boot.thinned_to.is_not(None)).limit(1)
        with self._connect() as connection:
            return connection.execute(query).first() is not None

    def extractor_seconds(
        self, running_from_a: float, from_ms: int | None = None, to_ms: int | None = None
    ) -> tuple[int, int]:
        """Seconds on record with the extractor's current at or above a value, and those without a current.

        With a time given (Unix ms, the end excluded) only what lies within it; boots whose wall time is
        unknown are left out then. Pruned stretches count by the minute, whole or not at all by its mean.
        """
        running, blind = 0, 0
        for _, current_a, count in self.air(running_from_a, period_ms=(from_ms, to_ms)):
            if current_a is None:
                blind += count
            elif current_a >= running_from_a:
                running += count
        return running, blind

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
            steps = units.steps_of(connection, unit)
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

    def steps_of(self, unit: str) -> list[StepRecord]:
        """Every attempt at a step of a unit, oldest first."""
        with self._connect() as connection:
            return units.steps_of(connection, unit)

    def closed_heat(self, newest: int = 500) -> list[UnitHeat]:
        """How hot and how long the units closed last were, newest first; those never read are left out.

        As it was kept when they were closed; of others from whole seconds of record.
        """
        with self._connect() as connection:
            return units.newest_closed(connection, newest)

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
            DamagedError: the file is damaged.
        """
        with self._connect() as connection:
            found = connection.execute(text("PRAGMA quick_check(1)")).scalar_one()
        if found != "ok":
            raise DamagedError(f"{self.path}: the file is damaged: {found}.")
        events = map(printed, self.stored())
        return chain.verify(events if progress is None else self._watched(events, progress))

    def has_event(self, digest: str) -> bool:
        """Whether the chain has an event with this hash (64 hex digits), or begins with it."""
        found = select(func.count()).select_from(EventRow).where(EventRow.hash == digest)
        with self._connect() as connection:
            return digest == chain.ZERO or bool(connection.execute(found).scalar_one())

    def _watched(
        self, events: Iterable[dict[str, Any]], progress: Callable[[int, int], None]
    ) -> Iterator[dict[str, Any]]:
        with self._connect() as connection:
            whole = int(connection.execute(select(func.count()).select_from(EventRow)).scalar_one())
        for done, event in enumerate(events, start=1):
            if done % PAGE == 0 or done == whole:
                progress(done, whole)
            yield event

    def stored(self) -> Iterator[StoredEvent]:
        """All events as they are stored, oldest first, whatever is wrong with them."""
        columns = (
            EventRow.mono_ms,
            EventRow.kind,
            EventRow.unit,
            EventRow.body,
            EventRow.prev,
            EventRow.hash,
        )
        query = select(EventRow.seq, Boot.boot, *columns).join(Boot, EventRow.boot_id == Boot.id)
        query, beyond = query.order_by(EventRow.seq).limit(PAGE), None
        while True:
            with self._connect() as connection:
                page = connection.execute(query if beyond is None else query.where(beyond)).all()
            if not page:
                return
            yield from map(StoredEvent._make, page)
            beyond = EventRow.seq > page[-1].seq
