"""How many requests are taken in a time: people and programs ask now and then, a flood asks without end.

Each request that is judged takes the interpreter from the thread that samples the extractor, and each refusal
is recorded: a flood would lock the iron for want of samples, and fill the card.
"""

import time
from collections.abc import Callable

A_SECOND, AT_ONCE = 25.0, 200.0


class Pace:
    """So many at once, and so many a second in the long run; for one thread."""

    def __init__(
        self,
        a_second: float = A_SECOND,
        at_once: float = AT_ONCE,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """Begin with all ``at_once``; ``clock`` in seconds, never falling."""
        self._a_second, self._at_once, self._clock = a_second, at_once, clock
        self._left, self._looked_s = at_once, clock()

    def take(self) -> bool:
        """Whether one more may be taken now."""
        now_s = self._clock()
        self._left = min(self._at_once, self._left + (now_s - self._looked_s) * self._a_second)
        self._looked_s = now_s
        if self._left < 1:
            return False
        self._left -= 1
        return True
