"""The state at the end of the last boot but one, kept so that a start need not fold the events of all years.

What is kept is no evidence of its own: the events are, and `Check` folds them once more. It is used only
where the event it ends with still has the hash it had then, so that the chain vouches for all before it, and
where the same rules made it; otherwise everything is folded. It ends with a boot that is over: the date of a
boot may still come while it runs, and changes its moments.
"""

import hashlib
from functools import cache
from pathlib import Path
from typing import NamedTuple

import msgspec
from sqlalchemy import Connection, and_, delete, insert, select
from sqlalchemy.exc import DBAPIError

from shared import events, timeline
from shared.database import reading_engine
from shared.history import History
from shared.problems import InputError
from shared.records import EventRow, KeptStateRow
from shared.stored import Dated
from shared.timeline import Moment, is_trace
from station.rules import alarms, fold, state
from station.rules.fold import apply
from station.rules.state import Durable

# A start reads so many events in some hundredths of a second: fewer are not worth a write.
WORTH_KEEPING = 1000


class Kept(NamedTuple):
    """The fold of all events up to one: its seq, its hash, the state after it."""

    seq: int
    hash: str
    durable: Durable


class TakenUp(NamedTuple):
    """The fold of all events, and what of it is worth keeping for the next start; None: that is kept."""

    durable: Durable
    keep: Kept | None


@cache
def rules_digest() -> str:
    """Names the rules by which events are folded: a hash of their text, so that no change is forgotten."""
    digest = hashlib.sha256()
    for module in (fold, state, alarms, events, timeline):
        digest.update(Path(str(module.__file__)).read_bytes())
    return digest.hexdigest()


def take_up(path: Path) -> TakenUp:
    """The state that the events of a station's database leave; replays had benches of their own.

    Raises:
        InputError, FailureError, DamagedError: as `History` has them.
    """
    kept = stored(path)
    durable = Durable() if kept is None else kept.durable
    last = end = kept
    boot = None
    with History(path) as history:
        for record, wall_ms in history.events(after=0 if kept is None else kept.seq):
            if not is_trace(record.boot):
                if record.boot != boot:
                    boot, end = record.boot, last
                durable = apply(durable, Moment(record.boot, record.mono_ms, wall_ms), record.body)
            last = Kept(record.seq, record.hash, durable)
    ahead = 0 if end is None else end.seq - (0 if kept is None else kept.seq)
    return TakenUp(durable, end if ahead >= WORTH_KEEPING else None)


def keep(connection: Connection, kept: Kept) -> None:
    """Keep a state in the place of the one kept before."""
    forget(connection)
    body = msgspec.json.encode(kept.durable).decode()
    row = {"seq": kept.seq, "hash": kept.hash, "rules": rules_digest(), "body": body}
    connection.execute(insert(KeptStateRow).values(row))


def forget(connection: Connection) -> None:
    """Keep nothing: the next start folds everything."""
    connection.execute(delete(KeptStateRow))


def read(connection: Connection) -> Kept | None:
    """What is kept and would be used; None where nothing is, or where it is not to be trusted."""
    same = and_(EventRow.seq == KeptStateRow.seq, EventRow.hash == KeptStateRow.hash)
    query = select(KeptStateRow.seq, KeptStateRow.hash, KeptStateRow.body).join(EventRow, same)
    row = connection.execute(query.where(KeptStateRow.rules == rules_digest())).first()
    if row is None:
        return None
    try:
        return Kept(row.seq, row.hash, msgspec.json.decode(row.body, type=Durable))
    except (msgspec.DecodeError, TypeError, UnicodeError):
        return None


def stored(path: Path) -> Kept | None:
    """What is kept in a file; of one that cannot be read so far nothing, for its events will tell why."""
    try:
        engine = reading_engine(path)
    except InputError:
        return None
    try:
        with engine.connect() as connection:
            return read(connection)
    except DBAPIError:
        return None
    finally:
        engine.dispose()


class Check:
    """Whether the state that is kept is what its events come to; told all events, oldest first."""

    def __init__(self, kept: Kept | None) -> None:
        self._kept = kept
        self._made = Durable()

    def hear(self, dated: Dated) -> None:
        """The next event."""
        record, wall_ms = dated
        if self._kept is not None and record.seq <= self._kept.seq and not is_trace(record.boot):
            self._made = apply(self._made, Moment(record.boot, record.mono_ms, wall_ms), record.body)

    def contradiction(self) -> str | None:
        """What of it is another than the events make it, in words; None where all agrees."""
        if self._kept is None or self._kept.durable == self._made:
            return None
        names = self._made.__struct_fields__
        name = next(n for n in names if getattr(self._kept.durable, n) != getattr(self._made, n))
        return (
            f"kept_state, at event {self._kept.seq}: {name} is not what the events make it; "
            "benchward migrate --roll-up forgets what is kept, and the next start makes it anew"
        )
