"""Thinning old readings: what lay on the plate stays, the rest lives on as minutes and hours.

Events are never touched, so that the chain stays whole. Seconds that the link has yet to send stay until they
are sent; a station that never sent any is taken to have no broker. Each piece is a short transaction of its
own, with a pause after it: a station that writes at the same time never waits longer than one piece takes.
"""

import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from sqlalchemy import Connection, delete, func, select, tuple_, update

from shared.database import reading_engine, writing_engine
from shared.plate_time import end_ms
from shared.problems import FailureError, InputError
from shared.records import READINGS_CURSOR, Boot, CursorRow, EventRow, PlacementRow, ReadingRow
from shared.schema import check_schema
from shared.timeline import is_trace, rfc3339

PIECE_S = 7200
PAUSE_S = 0.02
DAY_MS = 86_400_000


FARTHEST_MS = DAY_MS
"""How far the newest record may lie from the machine's clock for the clock to be believed."""


class Thinned(NamedTuple):
    """What pruning did, or would do.

    ``gone``: seconds that went; ``kept``: as old, but a unit lay on the plate; ``undated``: of unknown age;
    ``before``: the limit, RFC 3339; ``unsent``: as old, but the broker has not had them.
    """

    gone: int
    kept: int
    undated: int
    before: str
    unsent: int = 0


class _Piece(NamedTuple):
    boot_id: int
    from_s: int
    to_s: int


def believed_now_ms(path: Path, clock_ms: int | None) -> int:
    """The machine's time, if the record bears it out: by a wrong clock everything would be old.

    Args:
        path: a station's database.
        clock_ms: the machine's clock, Unix milliseconds; None while it has not been set.

    Raises:
        InputError: not a station's database.
        FailureError: the clock is not known to be set, or the newest record lies too far from it.
    """
    said = "say the day with --as-of YYYY-MM-DD, and nothing is deleted by the clock"
    if clock_ms is None:
        raise FailureError(
            f"{path}: the machine's clock is not known to have been set, so no record's age is known. "
            f'Set it (or settings, station: clock = "trusted" where other means keep it right), or {said}.'
        )
    newest_ms = _newest_ms(path)
    if newest_ms is not None and abs(clock_ms - newest_ms) > FARTHEST_MS:
        days = abs(clock_ms - newest_ms) / DAY_MS
        where = "before" if newest_ms < clock_ms else "after"
        raise FailureError(
            f"{path}: the newest record is of {rfc3339(newest_ms)}, {days:.1f} days {where} what the "
            f"machine's clock says, {rfc3339(clock_ms)}; no more than 1 is believed. If the clock is right, "
            f"{said}."
        )
    return clock_ms


def _newest_ms(path: Path) -> int | None:
    """When anything was last recorded that has a date; replays have dates of their own."""
    engine = reading_engine(path)
    try:
        with engine.connect() as connection:
            boots = connection.execute(select(Boot.id, Boot.boot, Boot.wall_offset_ms)).all()
            dated = [boot for boot in boots if boot.wall_offset_ms is not None and not is_trace(boot.boot)]
            last_ms = func.max(EventRow.mono_ms).label("last_ms")
            last = select(EventRow.boot_id, last_ms).group_by(EventRow.boot_id)
            told_ms = {row.boot_id: row.last_ms for row in connection.execute(last)}
            ends = (end_ms(connection, boot.id, told_ms.get(boot.id)) + boot.wall_offset_ms for boot in dated)
            return max(ends, default=None)
    finally:
        engine.dispose()


def prune(
    path: Path,
    now_ms: int,
    days: int,
    *,
    dry_run: bool = False,
    unsent_too: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> Thinned:
    """Delete readings older than so many days that belong to no unit's time on the plate.

    Args:
        path: a station's database; a station may be writing it.
        now_ms: Unix milliseconds; see `believed_now_ms`.
        days: at least 1.
        dry_run: only count.
        unsent_too: also seconds that the broker has not had.
        progress: told (pieces done, pieces in all).

    Raises:
        InputError: not a station's database, or fewer than one day.
    """
    if days < 1:
        raise InputError(f"--older-than is {days!r}; at least 1 day of readings is kept whole.")
    if not path.is_file():
        raise InputError(f"{path}: there is no such file; name a station's database with --db FILE.")
    limit_ms = now_ms - days * DAY_MS
    engine = writing_engine(path)
    check_schema(engine, path)
    gone = kept = 0
    try:
        with engine.connect() as connection:
            sent = None if unsent_too else _sent(connection)
            pieces = _pieces(connection, limit_ms, sent)
            unsent = _unsent(connection, limit_ms, sent)
            undated = _undated(connection)
        for done, piece in enumerate(pieces, start=1):
            with engine.begin() as connection:
                taken, left = _thin(connection, piece, dry_run=dry_run)
            gone, kept = gone + taken, kept + left
            if progress is not None:
                progress(done, len(pieces))
            if taken and not dry_run:
                time.sleep(PAUSE_S)
    finally:
        engine.dispose()
    return Thinned(gone, kept, undated, rfc3339(limit_ms) or "", unsent)


def _sent(connection: Connection) -> tuple[int, int] | None:
    """The last second that the broker has had, with the number of its boot; None where none was ever sent."""
    query = select(CursorRow.boot_id, CursorRow.position).where(CursorRow.name == READINGS_CURSOR)
    row = connection.execute(query).first()
    return None if row is None else (row.boot_id or 0, row.position)


def _unsent(connection: Connection, limit_ms: int, sent: tuple[int, int] | None) -> int:
    """Seconds as old that stay because the broker has not had them."""
    if sent is None:
        return 0
    beyond = tuple_(ReadingRow.boot_id, ReadingRow.second) > sent
    old = ReadingRow.second * 1000 + Boot.wall_offset_ms < limit_ms
    query = select(func.count()).select_from(ReadingRow).join(Boot, Boot.id == ReadingRow.boot_id)
    return int(connection.execute(query.where(beyond, old)).scalar_one())


def _pieces(connection: Connection, limit_ms: int, sent: tuple[int, int] | None) -> list[_Piece]:
    """The stretches of each dated boot that are old enough, and were sent if any were; whole minutes."""
    pieces = []
    ends = select(ReadingRow.boot_id, func.min(ReadingRow.second), func.max(ReadingRow.second))
    for boot_id, first, last in connection.execute(ends.group_by(ReadingRow.boot_id)).all():
        offset_ms, thinned_to = connection.execute(
            select(Boot.wall_offset_ms, Boot.thinned_to).where(Boot.id == boot_id)
        ).one()
        if offset_ms is None:
            continue
        until = min(last + 1, (limit_ms - offset_ms) // 60_000 * 60)
        if sent is not None and boot_id >= sent[0]:
            until = min(until, (sent[1] + 1) // 60 * 60) if boot_id == sent[0] else 0
        start = max(first, thinned_to or 0)
        while start < until:
            end = min(until, start + PIECE_S)
            pieces.append(_Piece(boot_id, start, end))
            start = end
    return pieces


def _undated(connection: Connection) -> int:
    """Seconds whose age cannot be told; they stay."""
    query = select(func.count()).select_from(ReadingRow).join(Boot, Boot.id == ReadingRow.boot_id)
    return int(connection.execute(query.where(Boot.wall_offset_ms.is_(None))).scalar_one())


def _thin(connection: Connection, piece: _Piece, *, dry_run: bool) -> tuple[int, int]:
    here = (
        ReadingRow.boot_id == piece.boot_id,
        ReadingRow.second >= piece.from_s,
        ReadingRow.second < piece.to_s,
    )
    on_plate = (
        select(PlacementRow.placed_seq)
        .where(
            PlacementRow.boot_id == piece.boot_id,
            PlacementRow.placed_ms < (ReadingRow.second + 1) * 1000,
            func.coalesce(PlacementRow.removed_ms, 1 << 62) >= ReadingRow.second * 1000,
        )
        .exists()
    )
    whole = int(connection.execute(select(func.count()).select_from(ReadingRow).where(*here)).scalar_one())
    if dry_run:
        idle = select(func.count()).select_from(ReadingRow).where(*here, ~on_plate)
        gone = int(connection.execute(idle).scalar_one())
    else:
        gone = connection.execute(delete(ReadingRow).where(*here, ~on_plate)).rowcount
        connection.execute(update(Boot).where(Boot.id == piece.boot_id).values(thinned_to=piece.to_s))
    return gone, whole - gone
