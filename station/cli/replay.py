"""`benchward replay`: a recorded trace through the same rules, as fast as it can."""

from collections.abc import Iterable, Iterator
from pathlib import Path

import click

from shared.chain import ZERO, event_hash
from shared.events import EventRecord, hashed_fields
from shared.problems import InputError
from shared.timeline import parse_rfc3339, to_ms
from station.cli.book import book_for
from station.cli.rejudge import rejudge
from station.journal.store import ReplayStore
from station.replay import Replayed, boot_of_trace
from station.replay import replay as replay_trace
from station.settings import Settings
from station.trace import load_trace

LATEST_START_MS = parse_rfc3339("2200-01-01T00:00:00Z")


@click.command()
@click.argument("trace", type=click.Path(path_type=Path), required=False)
@click.option(
    "--db", type=click.Path(path_type=Path), help="Journal the replay here; with --boot: read it here."
)
@click.option("--sheet", type=click.Path(path_type=Path), help="Process sheet (TOML) instead of the default.")
@click.option("--start", metavar="RFC3339", help="Wall time of the trace's beginning.")
@click.option("--boot", metavar="ID|latest", help="Judge this recorded boot again, instead of a TRACE.")
@click.option("--with-settings", type=click.Path(path_type=Path), help="With --boot: compare with these.")
@click.option("--with-sheet", type=click.Path(path_type=Path), help="With --boot: compare with this sheet.")
@click.option("--format", "form", type=click.Choice(["text", "jsonl"]), default="text", help="With --boot.")
@click.pass_obj
def replay(
    settings: Settings, trace: Path | None, db: Path | None, sheet: Path | None, start: str | None,
    boot: str | None, with_settings: Path | None, with_sheet: Path | None, form: str,
) -> None:  # fmt: skip
    """Run a recorded TRACE (CSV) through the rules; events as JSON lines.

    With --boot instead: judge the readings that a database holds of a boot again, and with --with-settings or
    --with-sheet show what would have been different.
    """
    if (trace is None) == (boot is None):
        raise click.UsageError("Name a TRACE, or a recorded boot with --boot, and not both.")
    if boot is not None:
        if start is not None:
            raise InputError(f"--start is {start!r}, but a recorded boot knows its own time; leave it out.")
        rejudge(settings, db, boot, sheet, with_settings, with_sheet, form)
        return
    if with_settings is not None or with_sheet is not None:
        raise click.UsageError("--with-settings and --with-sheet compare recorded boots: name --boot.")
    if trace is not None:
        _replay_trace(settings, trace, db, sheet, start)


def _replay_trace(
    settings: Settings, trace: Path, db: Path | None, sheet: Path | None, start: str | None
) -> None:
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
