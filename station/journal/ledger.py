"""The one place that writes: events into the chain and into what is derived from them, readings, cursors.

A ledger is not thread-safe: it belongs to the writer thread, or to a replay. Each batch is one transaction;
the chain's head moves only when it is on disk.
"""

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, NamedTuple, TypeAlias

import msgspec
from sqlalchemy import Connection, insert, select, update
from sqlalchemy.dialects.sqlite import insert as sqlite_insert
from sqlalchemy.exc import DatabaseError

from shared import events
from shared.chain import ZERO, event_hash
from shared.database import damage, writing_engine
from shared.events import EventBody, EventRecord, hashed_fields, kind_of
from shared.messages import Second
from shared.plate_time import last_known_ms
from shared.problems import DamagedError, InputError
from shared.records import (
    QUALITIES,
    SCHEMA_VERSION,
    Boot,
    CursorRow,
    EventRow,
    PlacementRow,
    ReadingRow,
    StepRow,
    UnitRow,
)
from shared.schema import check_schema, create_tables, schema_version
from shared.timeline import Moment, is_trace
from station.journal import heats, kept_state, soundness
from station.journal.claim import Claim
from station.journal.dating import said_offset_ms
from station.journal.kept_state import Kept
from station.journal.migrating import migrate_if_older
from station.journal.rollups import roll_up


class Told(NamedTuple):
    """Events of one tick and the moment they happened."""

    moment: Moment
    events: tuple[EventBody, ...]


class Cursor(NamedTuple):
    """Up to where a follower has got: a seq for events, a second and its boot's number for readings."""

    name: str
    position: int
    boot_id: int | None = None


class BootClock(NamedTuple):
    """A replay's offset to wall time: wall = monotonic + offset. A station's comes with its `clock-set`."""

    boot: str
    wall_offset_ms: int


# Units closed before of which nothing is kept yet, looked for at a start: a start must not take long.
CAUGHT_UP = 20

Entry: TypeAlias = Told | Second | Cursor | BootClock


class Ledger:
    """A station's database, open for writing."""

    def __init__(self, path: Path) -> None:
        """Open the database, making its tables in a new file.

        Raises:
            InputError: the file is no database of a station, or one of another version.
            FailureError: another program writes it, or its folder cannot be written.
            DamagedError: a station wrote it, and it does not hold together.
            sqlalchemy.exc.DBAPIError: it cannot be opened or written.
        """
        known = Claim.path_for(path).exists()  # a station has written here before
        self._claim = Claim(path)
        self._engine = writing_engine(path)
        self._boots: dict[str, int] = {}
        self._closed: list[str] = []  # units whose heat history is to be kept
        try:
            self.seq, self.head = self._open(path, known=known)
        except BaseException:
            self.close()
            raise

    def _open(self, path: Path, *, known: bool) -> tuple[int, str]:
        """Make the tables where there are none; the head of the chain."""
        try:
            version = schema_version(self._engine)
            if version != 0:
                if 0 < version <= SCHEMA_VERSION:
                    soundness.check(self._engine, path)
                    migrate_if_older(path, version)
                check_schema(self._engine, path)
            create_tables(self._engine, path)
            with self._engine.connect() as connection:
                head = connection.execute(
                    select(EventRow.seq, EventRow.hash).order_by(EventRow.seq.desc()).limit(1)
                ).first()
                self._closed = heats.lacking(connection, CAUGHT_UP)
        except DatabaseError as error:
            what = damage(error)
            if known and what is not None:
                raise DamagedError(what) from error
            if "not a database" in str(error.orig):
                raise InputError(f"{path}: is no database; name a station's, or a new file.") from error
            raise
        return (head.seq, head.hash) if head is not None else (0, ZERO)

    def close(self) -> None:
        """Let go of the file."""
        self._engine.dispose()
        self._claim.release()

    def fresh_boot(self, name: str) -> str:
        """The name, or the name with a number behind it where this database has that boot already."""
        with self._engine.connect() as connection:
            known = set(connection.execute(select(Boot.boot)).scalars())
        number, fresh = 2, name
        while fresh in known:
            number, fresh = number + 1, f"{name}-{number}"
        return fresh

    def wall_offset_ms(self, boot: str) -> int | None:
        """A boot's offset to wall time as it is on record; None while it has none."""
        with self._engine.connect() as connection:
            query = select(Boot.wall_offset_ms).where(Boot.boot == boot)
            return connection.execute(query).scalar_one_or_none()

    def write(self, batch: Sequence[Entry]) -> list[EventRecord]:
        """Write a batch in one transaction that is on disk when this returns.

        Returns:
            The records of the batch's events, in order.

        Raises:
            sqlalchemy.exc.DBAPIError: nothing of the batch was written.
        """
        seq, head, boots = self.seq, self.head, dict(self._boots)
        written: list[EventRecord] = []
        redated: list[str] = []
        try:
            with self._engine.begin() as connection:
                readings: list[dict[str, Any]] = []
                for entry in batch:
                    if isinstance(entry, Told):
                        written += self._write_events(connection, entry)
                        for body in entry.events:
                            offset_ms = said_offset_ms(body, entry.moment.mono_ms)
                            if offset_ms is not None:
                                clock = BootClock(entry.moment.boot, offset_ms)
                                redated += self._write_clock(connection, clock)
                    elif isinstance(entry, Second):
                        readings.append(_reading_values(self._boot_id(connection, entry.boot), entry))
                    elif isinstance(entry, Cursor):
                        self._write_cursor(connection, entry)
                    else:
                        redated += self._write_clock(connection, entry)
                if readings:
                    # A second that a restart within the same boot cut in two keeps its first part.
                    connection.execute(sqlite_insert(ReadingRow).on_conflict_do_nothing(), readings)
                    _roll_up(connection, readings)
        except BaseException:
            self.seq, self.head, self._boots = seq, head, boots
            raise
        self._closed += [record.body.unit for record in written if isinstance(record.body, events.UnitClosed)]
        self._closed += [unit for unit in redated if unit not in self._closed]
        return written

    def keep_heat(self) -> bool:
        """Keep the heat history of one closed unit whose readings are all on disk; False if there is none.

        Raises:
            sqlalchemy.exc.DBAPIError: it was not written; the unit is not tried again by this ledger.
        """
        for unit in tuple(self._closed):
            self._closed.remove(unit)
            with self._engine.begin() as connection:
                if heats.keep(connection, unit):
                    return True
            self._closed.append(unit)
        return False

    def keep_state(self, kept: Kept) -> None:
        """Keep the state at the end of a boot for the next start.

        Raises:
            sqlalchemy.exc.DBAPIError: it was not written.
        """
        with self._engine.begin() as connection:
            kept_state.keep(connection, kept)

    def _boot_id(self, connection: Connection, boot: str) -> int:
        known = self._boots.get(boot)
        if known is None:
            found = connection.execute(select(Boot.id).where(Boot.boot == boot)).scalar_one_or_none()
            if found is None:
                result = connection.execute(insert(Boot).values(boot=boot).returning(Boot.id))
                found = result.scalar_one()
            known = self._boots[boot] = found
        return known

    def _write_events(self, connection: Connection, told: Told) -> list[EventRecord]:
        boot_id = self._boot_id(connection, told.moment.boot)
        return [self._write_event(connection, boot_id, told.moment, body) for body in told.events]

    def _write_event(
        self, connection: Connection, boot_id: int, moment: Moment, body: EventBody
    ) -> EventRecord:
        seq, prev = self.seq + 1, self.head
        digest = event_hash(prev, hashed_fields(seq, moment.boot, moment.mono_ms, body))
        connection.execute(
            insert(EventRow).values(
                seq=seq,
                boot_id=boot_id,
                mono_ms=moment.mono_ms,
                kind=kind_of(body),
                unit=getattr(body, "unit", None),
                body=msgspec.json.encode(body).decode(),
                prev=prev,
                hash=digest,
            )
        )
        derive(connection, seq, boot_id, moment.mono_ms, body)
        self.seq, self.head = seq, digest
        return EventRecord(
            seq=seq, boot=moment.boot, mono_ms=moment.mono_ms, body=body, prev=prev, hash=digest
        )

    def _write_cursor(self, connection: Connection, cursor: Cursor) -> None:
        boot_id = cursor.boot_id or None  # 0: nothing has been sent yet
        values = {"position": cursor.position, "boot_id": boot_id}
        statement = sqlite_insert(CursorRow).values(name=cursor.name, **values)
        connection.execute(statement.on_conflict_do_update(index_elements=["name"], set_=values))

    def _write_clock(self, connection: Connection, clock: BootClock) -> list[str]:
        """Date a boot; the units whose heat history is to be kept anew."""
        boot_id = self._boot_id(connection, clock.boot)
        known = connection.execute(select(Boot.wall_offset_ms).where(Boot.id == boot_id)).scalar_one()
        if known == clock.wall_offset_ms:
            return []
        connection.execute(update(Boot).where(Boot.id == boot_id).values(wall_offset_ms=clock.wall_offset_ms))
        kept_state.forget_dated(connection, boot_id)
        return heats.forget(connection, boot_id)


def _roll_up(connection: Connection, readings: list[dict[str, Any]]) -> None:
    for boot_id in {row["boot_id"] for row in readings}:
        roll_up(connection, boot_id, (row["second"] for row in readings if row["boot_id"] == boot_id))


def _reading_values(boot_id: int, second: Second) -> dict[str, Any]:
    return {
        "boot_id": boot_id,
        "second": second.second,
        "plate_mean_cc": _scaled(second.plate_mean_c, 100),
        "plate_min_cc": _scaled(second.plate_min_c, 100),
        "plate_max_cc": _scaled(second.plate_max_c, 100),
        "cold_junction_cc": _scaled(second.cold_junction_c, 100),
        "extraction_ma": _scaled(second.extraction_a, 1000),
        "solvent_out": None if second.solvent_out is None else int(second.solvent_out),
        "quality": QUALITIES.index(second.quality),
        "valid_ms": second.valid_ms,
    }


def _scaled(value: float | None, factor: int) -> int | None:
    return None if value is None else round(value * factor)


def derive(connection: Connection, seq: int, boot_id: int, mono_ms: int, body: EventBody) -> None:
    """Keep ``units``, ``steps`` and ``placements`` in step with one event."""
    handler = _DERIVED.get(type(body))
    if handler is not None:
        handler(connection, seq, boot_id, mono_ms, body)


def _booked_in(
    connection: Connection, seq: int, boot_id: int, mono_ms: int, body: events.UnitBookedIn
) -> None:
    connection.execute(insert(UnitRow).values(booked_seq=seq, unit=body.unit, model=body.model, job=body.job))


def _closed(connection: Connection, seq: int, boot_id: int, mono_ms: int, body: events.UnitClosed) -> None:
    connection.execute(
        update(UnitRow)
        .where(UnitRow.unit == body.unit, UnitRow.closed_seq.is_(None))
        .values(closed_seq=seq, outcome=body.outcome)
    )


def _started(connection: Connection, seq: int, boot_id: int, mono_ms: int, body: events.StepStarted) -> None:
    connection.execute(
        insert(StepRow).values(
            started_seq=seq,
            unit=body.unit,
            step=body.step,
            attempt=body.attempt,
            technician=body.technician,
            boot_id=boot_id,
            started_ms=mono_ms,
        )
    )


def _end_step(
    connection: Connection,
    unit: str,
    step: str,
    ended: tuple[int, int, int],
    result: str,
    findings: str | None,
) -> None:
    seq, boot_id, mono_ms = ended
    connection.execute(
        update(StepRow)
        .where(StepRow.unit == unit, StepRow.step == step, StepRow.ended_seq.is_(None))
        .values(ended_seq=seq, ended_boot_id=boot_id, ended_ms=mono_ms, result=result, findings=findings)
    )


def _finished(
    connection: Connection, seq: int, boot_id: int, mono_ms: int, body: events.StepFinished
) -> None:
    findings = json.dumps(body.findings, ensure_ascii=False) if body.findings else None
    _end_step(connection, body.unit, body.step, (seq, boot_id, mono_ms), body.result, findings)


def _abandoned(
    connection: Connection, seq: int, boot_id: int, mono_ms: int, body: events.StepAbandoned
) -> None:
    _end_step(connection, body.unit, body.step, (seq, boot_id, mono_ms), "abandoned", None)


def _placed(connection: Connection, seq: int, boot_id: int, mono_ms: int, body: events.UnitPlaced) -> None:
    connection.execute(
        insert(PlacementRow).values(placed_seq=seq, unit=body.unit, boot_id=boot_id, placed_ms=mono_ms)
    )


def _removed(connection: Connection, seq: int, boot_id: int, mono_ms: int, body: events.UnitRemoved) -> None:
    connection.execute(
        update(PlacementRow)
        .where(PlacementRow.unit == body.unit, PlacementRow.removed_ms.is_(None))
        .values(removed_ms=mono_ms)
    )


def _station_started(
    connection: Connection, seq: int, boot_id: int, mono_ms: int, body: events.StationStarted
) -> None:
    """A unit that lay on the plate when the power went lies there still, on the new boot's time line."""
    open_elsewhere = select(
        PlacementRow.placed_seq, PlacementRow.unit, PlacementRow.boot_id, PlacementRow.placed_ms
    )
    rows = connection.execute(
        open_elsewhere.where(PlacementRow.removed_ms.is_(None), PlacementRow.boot_id != boot_id)
    ).all()
    boots = {row.id: row.boot for row in connection.execute(select(Boot.id, Boot.boot))}
    for row in rows:
        last_ms = max(row.placed_ms, last_known_ms(connection, row.boot_id))
        connection.execute(
            update(PlacementRow).where(PlacementRow.placed_seq == row.placed_seq).values(removed_ms=last_ms)
        )
        # A replay has a bench of its own: nothing goes over to it, and nothing comes from it.
        if not is_trace(boots[boot_id]) and not is_trace(boots[row.boot_id]):
            connection.execute(
                insert(PlacementRow).values(placed_seq=seq, unit=row.unit, boot_id=boot_id, placed_ms=mono_ms)
            )


_DERIVED: dict[type, Callable[[Connection, int, int, int, Any], None]] = {
    events.UnitBookedIn: _booked_in,
    events.UnitClosed: _closed,
    events.StepStarted: _started,
    events.StepFinished: _finished,
    events.StepAbandoned: _abandoned,
    events.UnitPlaced: _placed,
    events.UnitRemoved: _removed,
    events.StationStarted: _station_started,
}
