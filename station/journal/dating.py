"""What the events say of the offset that dates a boot: the last time that its clock was set."""

from typing import NamedTuple

from shared.events import Calibrated, ClockSet, Commissioned, EventBody, EventRecord, StationStarted
from shared.timeline import is_trace, parse_rfc3339, rfc3339

STEP_MS = 1000
"""A clock that moved by no more is not told anew."""


def said_offset_ms(body: EventBody, mono_ms: int) -> int | None:
    """The offset to wall time that an event at a moment of its boot says; None where it says none."""
    if not isinstance(body, ClockSet):
        return None
    try:
        return parse_rfc3339(body.wall) - mono_ms
    except ValueError:
        return None


class _Set(NamedTuple):
    seq: int
    offset_ms: int | None
    said: str


class Dating:
    """Hears events in their order, and tells whether a boot's offset is the one that they say."""

    def __init__(self) -> None:
        """Nothing was heard yet."""
        self._set: dict[str, _Set] = {}
        self._started: set[str] = set()
        self._from_outside: set[str] = set()  # boots whose last dating may be by a command beside the station

    def hear(self, record: EventRecord) -> None:
        """The next event."""
        body = record.body
        if isinstance(body, StationStarted):
            self._started.add(record.boot)
        elif isinstance(body, ClockSet):
            self._set[record.boot] = _Set(record.seq, said_offset_ms(body, record.mono_ms), body.wall)
            self._from_outside.discard(record.boot)
        elif isinstance(body, Calibrated | Commissioned):
            self._from_outside.add(record.boot)

    def contradiction(self, boot: str, offset_ms: int | None) -> str | None:
        """What is wrong with a boot's offset to wall time in ms, in words; None where nothing is.

        A replay's is said by no event. Nor was, in records of earlier versions, what a calibration or a check
        of the wiring dated while no station ran: there a second is allowed, or everything where no station
        had told a date. Of a boot in which no station ran nothing is said.
        """
        if is_trace(boot):
            return None
        told = self._set.get(boot)
        outside = boot in self._from_outside
        if told is None:
            if offset_ms is None or outside or boot not in self._started:
                return None
            return (
                f"wall_offset_ms is {offset_ms!r}, but no event says that its clock was set: it has no date"
            )
        if offset_ms == told.offset_ms:
            return None
        both = offset_ms is not None and told.offset_ms is not None
        if outside and both and abs((offset_ms or 0) - (told.offset_ms or 0)) <= STEP_MS:
            return None
        return (
            f"wall_offset_ms is {offset_ms!r}{_day(offset_ms)}, event {told.seq} (clock-set, {told.said}) "
            f"says {told.offset_ms!r}{_day(told.offset_ms)}"
        )


def _day(offset_ms: int | None) -> str:
    """The wall time at which the boot's own time was 0."""
    try:
        at = rfc3339(offset_ms)
    except (OverflowError, ValueError):
        at = None
    return "" if at is None else f" (its time 0 at {at})"
