"""What is stored, as it is answered: events and seconds of record with their places and dates."""

from typing import Any, NamedTuple

import msgspec
from sqlalchemy import ColumnElement, Select, tuple_

from shared import plate_time
from shared.events import EventBody, EventRecord
from shared.messages import Second
from shared.problems import DamagedError
from shared.records import QUALITIES, Boot, EventRow, ReadingRow

# In the order in which `dated_second` takes them apart.
SECOND = (
    ReadingRow.boot_id,
    ReadingRow.second,
    ReadingRow.plate_mean_cc,
    ReadingRow.plate_min_cc,
    ReadingRow.plate_max_cc,
    ReadingRow.cold_junction_cc,
    ReadingRow.extraction_ma,
    ReadingRow.solvent_out,
    ReadingRow.quality,
    ReadingRow.valid_ms,
)

_BODY: msgspec.json.Decoder[EventBody] = msgspec.json.Decoder(EventBody)


class Dated(NamedTuple):
    """An event and its wall time in Unix milliseconds, None while its boot's offset is unknown."""

    record: EventRecord
    wall_ms: int | None

    def to_dict(self) -> dict[str, Any]:
        """The printed form."""
        return self.record.to_dict(self.wall_ms)


class StoredEvent(NamedTuple):
    """An event as its row has it, with its boot's name."""

    seq: int
    boot: str
    mono_ms: int
    kind: str
    unit: str | None
    body: str
    prev: str
    hash: str


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
    family: str | None = None  # the beginning of the kinds' names, e.g. alarm


EVERYTHING = Filter()


def printed(event: StoredEvent) -> dict[str, Any]:
    """The event as `chain.verify` wants it; no hash fits one whose columns contradict its body."""
    fields = plate_time.stored_fields(event.body)
    if (event.kind, event.unit) != (fields.get("kind"), fields.get("unit")):
        fields["contradicted"] = [event.kind, event.unit]
    fields |= {"seq": event.seq, "boot": event.boot, "mono_s": event.mono_ms / 1000}
    return {**fields, "prev": event.prev, "hash": event.hash}


def beyond(after: Place) -> ColumnElement[bool]:
    """Beyond a place; compared as a pair, which the primary key answers by itself."""
    return tuple_(ReadingRow.boot_id, ReadingRow.second) > (after.boot_id, after.second)


def filtered(query: Select[*tuple[Any, ...]], which: Filter) -> Select[*tuple[Any, ...]]:
    """The query, of events with their boots, with a filter's conditions."""
    if which.kind is not None:
        query = query.where(EventRow.kind == which.kind)
    if which.family is not None:
        query = query.where(EventRow.kind.startswith(f"{which.family}-", autoescape=True))
    if which.unit is not None:
        query = query.where(EventRow.unit == which.unit)
    wall_ms = EventRow.mono_ms + Boot.wall_offset_ms
    if which.from_ms is not None:
        query = query.where(wall_ms >= which.from_ms)
    if which.to_ms is not None:
        query = query.where(wall_ms < which.to_ms)
    return query


def dated(row: Any) -> Dated:
    """The event in a row of `History.event_rows`.

    Raises:
        DamagedError: the event is damaged.
    """
    try:
        body = _BODY.decode(row.body)
    except (msgspec.DecodeError, TypeError, UnicodeError) as error:
        raise DamagedError(f"Event {row.seq} is damaged: {error}. Run benchward verify.") from error
    record = EventRecord(
        seq=row.seq,
        boot=row.boot,
        mono_ms=row.mono_ms,
        body=body,
        prev=row.prev,
        hash=row.hash,
    )
    return Dated(record, None if row.wall_offset_ms is None else row.mono_ms + row.wall_offset_ms)


def dated_second(row: Any) -> DatedSecond:
    """The second in a row of `History.second_rows`."""
    # Taken apart at once, which costs a fraction of asking for each by name; a backlog has very many.
    (
        boot_id, second, mean_cc, min_cc, max_cc, junction_cc, extraction_ma, solvent_out, quality, valid_ms,
        boot, offset_ms,
    ) = row  # fmt: skip
    found = Second(
        boot=boot,
        second=second,
        plate_mean_c=None if mean_cc is None else mean_cc / 100,
        plate_min_c=None if min_cc is None else min_cc / 100,
        plate_max_c=None if max_cc is None else max_cc / 100,
        cold_junction_c=None if junction_cc is None else junction_cc / 100,
        extraction_a=None if extraction_ma is None else extraction_ma / 1000,
        solvent_out=None if solvent_out is None else bool(solvent_out),
        quality=QUALITIES[quality],
        valid_ms=valid_ms,
    )
    wall_ms = None if offset_ms is None else second * 1000 + offset_ms
    return DatedSecond(Place(boot_id, second), found, wall_ms)
