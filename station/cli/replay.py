"""`benchward replay`: a recorded trace through the same rules, as fast as it can."""

from collections.abc import Iterable, Iterator
from pathlib import Path

import click

from shared.chain import ZERO, event_hash
from shared.events import EventRecord, hashed_fields
from shared.problems import InputError
from shared.sheet import default_sheet, load_sheet
from shared.timeline import parse_rfc3339, to_ms
from station.journal.store import ReplayStore
from station.replay import Replayed, boot_of_trace
from station.replay import replay as replay_trace
from station.rules.tick import Book
from station.settings import Settings
from station.trace import load_trace

LATEST_START_MS = parse_rfc3339("2200-01-01T00:00:00Z")


@click.command()
@click.argument("trace", type=click.Path(path_type=Path))
@click.option("--db", type=click.Path(path_type=Path), help="Journal the replay in this database too.")
@click.option("--sheet", type=click.Path(path_type=Path), help="Process sheet (TOML) instead of the default.")
@click.option("--start", metavar="RFC3339", help="Wall time of the trace's beginning.")
@click.pass_obj
def replay(settings: Settings, trace: Path, db: Path | None, sheet: Path | None, start: str | None) -> None:
    """Run a recorded TRACE (CSV) through the rules; events as JSON lines."""
    start_ms = _start_ms(start)
    book = book_for(settings, sheet)
    ticks = load_trace(trace)
    boot = boot_of_trace(trace)
    if db is None:
        for record in _chained(replay_trace(ticks, book, settings, boot, start_ms)):
            _print(record, start_ms)
        return
    with ReplayStore(db) as store:
        boot = store.fresh_boot(boot)
        lines = replay_trace(ticks, book, settings, boot, start_ms)
        records = store.store(lines, boot, start_ms, to_ms(settings.limits.gap_s))
    for record in records:
        _print(record, start_ms)


def book_for(settings: Settings, sheet: Path | None = None) -> Book:
    """The limits and the sheet to go by: the one named, else the settings' one, else the default.

    Raises:
        InputError: the sheet is wrong or cannot be read.
    """
    named = sheet or (Path(settings.station.sheet) if settings.station.sheet else None)
    return Book(settings.limits, load_sheet(named) if named else default_sheet())


def _start_ms(start: str | None) -> int | None:
    if start is None:
        return None
    try:
        start_ms = parse_rfc3339(start)
        if not 0 <= start_ms < LATEST_START_MS:
            raise ValueError("not between the years 1970 and 2200")
    except ValueError as error:
        raise InputError(
            f"--start is {start!r}: {error}; write an RFC 3339 time such as 2026-03-02T08:30:00Z."
        ) from error
    return start_ms


def _print(record: EventRecord, start_ms: int | None) -> None:
    click.echo(record.to_json(None if start_ms is None else start_ms + record.mono_ms))


def _chained(lines: Iterable[Replayed]) -> Iterator[EventRecord]:
    """The events as a journal of their own would chain them."""
    seq, head = 0, ZERO
    for line in lines:
        for body in line.events:
            moment = line.moment
            seq, prev = seq + 1, head
            head = event_hash(prev, hashed_fields(seq, moment.boot, moment.mono_ms, body))
            yield EventRecord(
                seq=seq, boot=moment.boot, mono_ms=moment.mono_ms, body=body, prev=prev, hash=head
            )
