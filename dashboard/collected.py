"""What the collected database tells: each station's last words, and a day of one of them.

Moments are Unix seconds UTC. A boot that no message has dated yet counts from when it was first heard;
``dated`` says which.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import msgspec
import sqlalchemy as sa
import sqlalchemy.exc

from dashboard.collector.gaps import Gap, gaps_of, runs_in
from dashboard.collector.store import reading_engine
from dashboard.collector.tables import boots, events, readings
from shared.problems import FailureError

MOST_EVENTS = 200

_zero_s = sa.func.coalesce(boots.c.offset_ms // 1000, boots.c.zero_s)


class LastSeen(msgspec.Struct, frozen=True):
    """A station's newest record, of whatever kind."""

    station: str
    at_s: int
    dated: bool


class Minute(msgspec.Struct, frozen=True):
    """The plate over one minute of record, beginning at ``at_s``; None: no valid reading."""

    at_s: int
    mean_c: float | None
    min_c: float | None
    max_c: float | None


class PastEvent(msgspec.Struct, frozen=True):
    """One event, with ``data`` as the station told it."""

    at_s: float
    dated: bool
    seq: int
    data: dict[str, Any]


class Collected:
    """Reads a collected database; every method asks it anew."""

    def __init__(self, url: str) -> None:
        self._engine = reading_engine(url)

    def close(self) -> None:
        """Give the connections back."""
        self._engine.dispose()

    @contextmanager
    def _asking(self) -> Iterator[sa.Connection]:
        try:
            with self._engine.connect() as connection:
                yield connection
        except sqlalchemy.exc.DBAPIError as error:
            told = (str(error.orig).splitlines() or ["no reason given"])[0]
            raise FailureError(f"The collected database cannot be read: {told}.") from error

    def last_seen(self) -> list[LastSeen]:
        """Every station, by name; from the newest boot of each.

        Raises:
            FailureError: the database cannot be read; so do all methods.
        """
        newest = sa.select(boots.c.station, sa.func.max(boots.c.zero_s).label("zero_s"))
        newest_boots = newest.group_by(boots.c.station).subquery()
        second = _newest(readings.c.mono_s, readings.c.boot_id)
        event = _newest(events.c.mono_s, events.c.boot_id)
        query = sa.select(boots.c.station, _zero_s, boots.c.offset_ms, second, event).join(
            newest_boots,
            sa.and_(boots.c.station == newest_boots.c.station, boots.c.zero_s == newest_boots.c.zero_s),
        )
        found: dict[str, LastSeen] = {}
        with self._asking() as connection:
            for station, zero_s, offset_ms, second_s, event_s in connection.execute(query):
                at_s = int(zero_s + max(second_s or 0, event_s or 0))
                if station not in found or at_s > found[station].at_s:
                    found[station] = LastSeen(station, at_s, offset_ms is not None)
        return [found[name] for name in sorted(found)]

    def minutes(self, station: str, from_s: int, to_s: int) -> list[Minute]:
        """The plate's readings of a stretch of time, by minutes; a minute without a record is not there."""
        at_s = _zero_s + readings.c.mono_s
        minute = (at_s // 60).label("minute")
        plate = readings.c.plate_c
        query = (
            sa.select(minute, sa.func.avg(plate), sa.func.min(plate), sa.func.max(plate))
            .join(boots, boots.c.id == readings.c.boot_id)
            .where(boots.c.station == station, *_within(readings.c.mono_s, from_s, to_s))
            .group_by(minute)
            .order_by(minute)
        )
        with self._asking() as connection:
            return [Minute(int(row[0]) * 60, *row[1:]) for row in connection.execute(query)]

    def events(self, station: str, from_s: int, to_s: int) -> list[PastEvent]:
        """The newest events of a stretch of time, the newest first; at most MOST_EVENTS."""
        query = (
            sa.select(_zero_s, boots.c.offset_ms, events.c.mono_s, events.c.seq, events.c.data)
            .join(boots, boots.c.id == events.c.boot_id)
            .where(boots.c.station == station, *_within(events.c.mono_s, from_s, to_s))
            .order_by(events.c.seq.desc())
            .limit(MOST_EVENTS)
        )
        with self._asking() as connection:
            return [
                PastEvent(float(zero_s + mono_s), offset_ms is not None, seq, _object(data))
                for zero_s, offset_ms, mono_s, seq, data in connection.execute(query)
            ]

    def gaps(self, station: str) -> list[Gap]:
        """The station's events that are missing."""
        with self._asking() as connection:
            return gaps_of(runs_in(connection, station))


def _newest(mono_s: sa.Column[Any], boot_id: sa.Column[Any]) -> sa.ScalarSelect[Any]:
    return sa.select(sa.func.max(mono_s)).where(boot_id == boots.c.id).scalar_subquery()


def _within(mono_s: sa.Column[Any], from_s: int, to_s: int) -> tuple[sa.ColumnElement[bool], ...]:
    """Written so that the key of boot and second serves."""
    return mono_s >= from_s - _zero_s, mono_s < to_s - _zero_s


def _object(data: Any) -> dict[str, Any]:
    found: dict[str, Any] = msgspec.json.decode(data) if isinstance(data, str) else data
    return found
