"""One stream of the journal on its way to the broker: what was sent, what was acknowledged, in order.

The cursor only moves over an unbroken run of acknowledged messages, so that what it passed is with the broker
and what it has not passed is sent again after a restart. Repeats are harmless: the receiver drops them.
"""

from collections import OrderedDict
from typing import Generic, TypeVar

Position = TypeVar("Position")


class Stream(Generic[Position]):
    """Messages in flight, oldest first. Positions only ever rise."""

    def __init__(self, start: Position) -> None:
        """Begin beyond ``start``."""
        self.cursor = start
        self.sent = start
        self.acknowledged = 0
        self._flying: OrderedDict[int, Position] = OrderedDict()
        self._done: set[int] = set()
        self._set_aside = 0

    @property
    def in_flight(self) -> int:
        """Messages sent and not yet passed by the cursor."""
        return len(self._flying)

    def launched(self, mid: int, position: Position) -> None:
        """A message was handed to the client under this message id."""
        self._flying[mid] = position
        self.sent = position

    def set_aside(self, position: Position) -> None:
        """Pass over a message that can never be sent; the cursor still waits for those before it."""
        self._set_aside += 1
        mid = -self._set_aside  # the client's ids are positive
        self.launched(mid, position)
        self.landed(mid)
        self.acknowledged -= 1

    def landed(self, mid: int) -> bool:
        """The broker acknowledged a message; True if the cursor moved. Ids of others are passed over."""
        if mid not in self._flying:
            return False
        self._done.add(mid)
        self.acknowledged += 1
        moved = False
        while self._flying:
            first = next(iter(self._flying))
            if first not in self._done:
                break
            self.cursor = self._flying.pop(first)
            self._done.discard(first)
            moved = True
        return moved

    def rewind(self) -> None:
        """Send again from the cursor: what was in flight will not be acknowledged."""
        self._flying.clear()
        self._done.clear()
        self.sent = self.cursor
