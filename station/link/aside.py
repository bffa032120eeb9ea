"""What was set aside: messages that can never be sent, put on record so that somebody hears of them.

Many in a row (a broker whose limit is too small for a kind of message) are told together, at most once in a
while, or the record of what was set aside would itself become a flood.
"""

import logging
import time
from collections.abc import Callable

from shared.events import MessageSetAside

LOG = logging.getLogger("benchward.link")
TOGETHER_S = 60.0

Tell = Callable[[MessageSetAside], None]


class SetAside:
    """Told by the lanes; tells the journal. Belongs to one thread."""

    def __init__(self, tell: Tell, clock: Callable[[], float] = time.monotonic) -> None:
        """Begin with nothing; ``clock`` in seconds, never falling."""
        self.count = 0
        self._tell, self._clock = tell, clock
        self._told_s: dict[tuple[str, str], float] = {}
        self._waiting: dict[tuple[str, str], MessageSetAside] = {}

    @property
    def settled(self) -> bool:
        """Whether all of it is on its way to the disk; before that no cursor may pass it for good."""
        return not self._waiting

    def add(self, topic: str, name: str, reason: str) -> None:
        """A message is set aside; the first of its kind is told at once."""
        self.count += 1
        leaf = topic.rsplit("/", 1)[1]
        LOG.error("message %s on %s is set aside: %s; it stays in the journal", name, topic, reason)
        known = self._waiting.get((leaf, reason))
        first, number = (name, 1) if known is None else (known.first, int(known.values["count"]) + 1)
        self._waiting[leaf, reason] = MessageSetAside(
            stream=leaf, reason=reason, first=first, last=name, values={"count": number}
        )
        self.settle()

    def settle(self, *, now: bool = False) -> None:
        """Tell what has waited long enough; all of it with ``now``."""
        if not self._waiting:
            return
        at_s = self._clock()
        for key in list(self._waiting):
            if now or at_s - self._told_s.get(key, float("-inf")) >= TOGETHER_S:
                self._told_s[key] = at_s
                self._tell(self._waiting.pop(key))
