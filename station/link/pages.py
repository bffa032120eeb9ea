"""The journal's records as messages: a page of them at a time, each made ready to be sent.

A record that cannot be read or written as a message says so in its place, so that those behind it go on.
"""

from collections.abc import Callable, Iterable
from typing import Any, TypeVar

import msgspec

from shared.history import History
from shared.messages import cloud_event, encode, senml
from shared.problems import FailureError
from shared.stored import Place, dated, dated_second
from station.link.faults import DAMAGED
from station.link.lane import Prepared, Read

# What a damaged row may bring about: a value of another type or range than was ever written.
_BAD_ROW = (FailureError, msgspec.MsgspecError, ValueError, TypeError, LookupError, ArithmeticError)

Position = TypeVar("Position")


def events(history: History, station: str) -> Read[int]:
    """Events beyond a seq."""

    def payload(row: Any) -> bytes:
        record, wall_ms = dated(row)
        return encode(cloud_event(station, record, wall_ms))

    def read(after: int, limit: int) -> list[Prepared[int]]:
        rows = history.event_rows(after, limit)
        return list(_prepared(((row.seq, f"{row.boot}/{row.seq}", row) for row in rows), payload))

    return read


def readings(history: History, station: str) -> Read[Place]:
    """Seconds of record beyond a place."""

    def payload(row: Any) -> bytes:
        _, second, wall_ms = dated_second(row)
        return encode(senml(station, second, wall_ms))

    def read(after: Place, limit: int) -> list[Prepared[Place]]:
        rows = history.second_rows(after, limit)
        placed = ((Place(row.boot_id, row.second), f"{row.boot}/{row.second}", row) for row in rows)
        return list(_prepared(placed, payload))

    return read


def _prepared(
    rows: Iterable[tuple[Position, str, Any]], payload: Callable[[Any], bytes]
) -> Iterable[Prepared[Position]]:
    for position, name, row in rows:
        try:
            yield Prepared(position, name, payload(row))
        except _BAD_ROW:
            yield Prepared(position, name, b"", DAMAGED)
