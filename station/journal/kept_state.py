"""The state at the end of the last boot but one, kept so that a start need not fold the events of all years.

What is kept is no evidence of its own: the events are, and `Check` folds them once more. It is used only
where the event it ends with still has the hash it had then, so that the chain vouches for all before it, and
where the same rules made it; otherwise everything is folded. It ends with a boot that is over: the date of a
boot may still come while it runs, and changes its moments.
"""

import hashlib
import logging
from collections import deque
from functools import cache
from pathlib import Path
from typing import NamedTuple

import msgspec
from sqlalchemy import Connection, delete, insert, select
from sqlalchemy.exc import DBAPIError

from shared import events, stored, timeline
from shared.database import reading_engine
from shared.history import History
from shared.problems import InputError
from shared.records import EventRow, KeptStateRow
from shared.stored import Dated, Filter
from shared.timeline import Moment, is_trace
from station.rules import alarms, fold, state
from station.rules.fold import apply
from station.rules.state import Durable

LOG = logging.getLogger("benchward.journal")
REMEMBERED_EVENTS = 5000
"""How far back a start looks; more than a bench tells in the eight hours that vapour is reckoned over."""

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
def rules_digest() -> str | None:
    """Names the rules by which events are folded, by their text: no change of them can be forgotten.

    None where the text cannot be read: then nothing is kept, and nothing kept is used.
    """
    digest = hashlib.sha256()
    files = [module.__file__ for module in (fold, state, alarms, events, stored, timeline)]
    try:
        for file in (*files, __file__):
            digest.update(Path(str(file)).read_bytes())
    except OSError as error:
        LOG.warning("the text of the rules cannot be read, so no state is kept: %s", error)
        return None
    return digest.hexdigest()


def _digest(rules: str, seq: int, chained: str, body: str) -> str:
    """Covers all that is kept: a byte that was changed must not lose an alarm or a hold."""
    return hashlib.sha256(f"{rules} {seq} {chained} {body}".encode()).hexdigest()


def take_up(path: Path) -> TakenUp:
    """The state that the events of a station's database leave; replays had benches of their own.

    Raises:
        InputError, FailureError, DamagedError: as `History` has them.
    """
    kept = kept_in(path)
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
        if kept is not None:
            _read_what_a_start_reads(history, durable)
    ahead = 0 if end is None else end.seq - (0 if kept is None else kept.seq)
    return TakenUp(durable, end if ahead >= WORTH_KEEPING else None)


def _read_what_a_start_reads(history: History, durable: Durable) -> None:
    """Meet at once what else is damaged of the events that a start is going to read.

    Where all are folded it shows there, and the file is set aside; later that would be too late.
    """
    history.last_told(REMEMBERED_EVENTS)
    wanted = [Filter(kind="calibrated")]
    if durable.in_hand is not None:
        wanted.append(Filter(unit=durable.in_hand))
    for which in wanted:
        deque(history.events(which=which), maxlen=0)


def keep(connection: Connection, kept: Kept) -> None:
    """Keep a state in the place of the one kept before."""
    forget(connection)
    rules, body = rules_digest(), msgspec.json.encode(kept.durable).decode()
    if rules is not None:
        digest = _digest(rules, kept.seq, kept.hash, body)
        row = {"seq": kept.seq, "hash": kept.hash, "digest": digest, "body": body}
        connection.execute(insert(KeptStateRow).values(row))


def forget(connection: Connection) -> None:
    """Keep nothing: the next start folds everything."""
    connection.execute(delete(KeptStateRow))


def forget_dated(connection: Connection, boot_id: int) -> None:
    """Keep nothing that moments of a boot went into, which has another date now."""
    last_boot = select(EventRow.boot_id).where(EventRow.seq == KeptStateRow.seq).scalar_subquery()
    connection.execute(delete(KeptStateRow).where(last_boot >= boot_id))


def read(connection: Connection) -> Kept | None:
    """What is kept and would be used; None where nothing is, or where it is not to be trusted."""
    chained = select(EventRow.hash).where(EventRow.seq == KeptStateRow.seq).scalar_subquery()
    row = connection.execute(select(KeptStateRow, chained.label("chained"))).first()
    rules = rules_digest()
    if row is None or rules is None or row.hash != row.chained:
        return None
    if row.digest != _digest(rules, row.seq, row.hash, str(row.body)):
        return None
    try:
        return Kept(row.seq, row.hash, msgspec.json.decode(row.body, type=Durable))
    except (msgspec.DecodeError, TypeError, UnicodeError):
        return None


def kept_in(path: Path) -> Kept | None:
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
