"""A lane: one run of the journal's records on its way to one topic, read ahead in pages and sent in order.

Two lanes may carry one stream side by side: the backlog, and beside it what is recorded now.
"""

import time
from collections import deque
from collections.abc import Callable
from typing import Generic, NamedTuple, Protocol, TypeVar

from station.link.faults import TOO_LARGE
from station.link.stream import Stream

Position = TypeVar("Position")
PAGE = 500
AFTER_REFUSAL_S = 5.0


class Prepared(NamedTuple, Generic[Position]):
    """A message ready to be sent: its place in the journal, its id for people, and its payload.

    ``trouble``: why there is no payload, as a code.
    """

    position: Position
    name: str
    payload: bytes
    trouble: str | None = None


class Carrier(Protocol):
    """What a lane asks of the connection."""

    def fits(self, topic: str, payload: bytes) -> bool:
        """Whether the broker takes a message of this size."""

    def publish(self, topic: str, payload: bytes) -> int | None:
        """Hand over a message; its id, or None where it is not taken."""


Read = Callable[[Position, int], list[Prepared[Position]]]
Aside = Callable[[str, str, str], None]


class Lane(Generic[Position]):
    """Messages of one topic between a start and, for a backlog, an end."""

    def __init__(
        self,
        topic: str,
        start: Position,
        read: Read[Position],
        aside: Aside,
        *,
        until: Position | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """Begin beyond ``start``.

        Args:
            topic: where the messages go.
            start: what lies beyond it is sent.
            read: so many prepared messages beyond a position, oldest first.
            aside: told topic, name and reason of each message that can never be sent.
            until: the last position of a backlog; None for a lane that goes on for ever.
            clock: seconds, never falling.
        """
        self.stream: Stream[Position] = Stream(start)
        self.refused_with: str | None = None
        self.until = until
        self._topic, self._read, self._aside, self._clock = topic, read, aside, clock
        self._ahead: deque[Prepared[Position]] = deque()
        self._read_to = start
        self._more = True
        self._names: dict[int, str] = {}
        self._retry_s = float("-inf")

    @property
    def finished(self) -> bool:
        """Whether the cursor has passed all of a backlog."""
        return self.until is not None and not self._ahead and not self._more and not self.stream.in_flight

    @property
    def waiting(self) -> bool:
        """Whether something read is not sent yet."""
        return bool(self._ahead)

    def look_again(self) -> None:
        """Something may have been recorded since."""
        self._more = self._more or self.until is None or self._read_to < self.until  # type: ignore[operator]

    def fill(self, carrier: Carrier, window: int) -> None:
        """Send as long as there is something and room; a quarter of the window at least, or all there is."""
        room = window - self.stream.in_flight
        if self.refused_with is not None:
            room = min(room, 1 - self.stream.in_flight)  # one by one until the broker takes them again
        elif self.stream.in_flight and room < window // 4:
            return
        if room <= 0 or self._clock() < self._retry_s:
            return
        while room > 0 and self._readied():
            prepared = self._ahead[0]
            trouble = prepared.trouble
            if trouble is None and not carrier.fits(self._topic, prepared.payload):
                trouble = TOO_LARGE
            if trouble is not None:
                self.stream.set_aside(prepared.position)
                self._aside(self._topic, prepared.name, trouble)
            else:
                mid = carrier.publish(self._topic, prepared.payload)
                if mid is None:
                    return
                self.stream.launched(mid, prepared.position)
                self._names[mid] = prepared.name
                room -= 1
            self._ahead.popleft()

    def landed(self, mid: int) -> bool:
        """The broker has taken a message; False if it was not one of this lane."""
        if self._names.pop(mid, None) is None:
            return False
        self.stream.landed(mid)
        self.refused_with = None
        return True

    def never(self, mid: int, reason: str) -> bool:
        """The broker will never take this message; False if it was not one of this lane."""
        name = self._names.pop(mid, None)
        if name is None:
            return False
        self.stream.passed_over(mid)
        self._aside(self._topic, name, reason)
        return True

    def later(self, mid: int, reason: str) -> bool:
        """The broker does not take this message now; it and all behind it are sent again after a while."""
        if mid not in self._names:
            return False
        self.refused_with = reason
        self.rewind()
        self._retry_s = self._clock() + AFTER_REFUSAL_S
        return True

    def rewind(self) -> None:
        """Send again from the cursor."""
        self.stream.rewind()
        self._names.clear()
        self._ahead.clear()
        self._read_to = self.stream.cursor
        self._more = True
        self._retry_s = float("-inf")

    def _readied(self) -> bool:
        """Whether a message is at hand; reads a page where there is none."""
        if self._ahead or not self._more:
            return bool(self._ahead)
        page = self._read(self._read_to, PAGE)
        self._more = len(page) == PAGE
        if self.until is not None and page and page[-1].position >= self.until:  # type: ignore[operator]
            self._more = False
            page = [prepared for prepared in page if prepared.position <= self.until]  # type: ignore[operator]
        if page:
            self._read_to = page[-1].position
            self._ahead.extend(page)
        elif self.until is not None:
            self._read_to = self.until
        return bool(self._ahead)
