"""How many requests are taken in a time: people and programs ask now and then, a flood asks without end.

Each request that is judged takes the interpreter from the thread that samples the extractor, and each refusal
is recorded: a flood would lock the iron for want of samples, and fill the card. So there are two measures:
what is taken at once and from second to second, and what is taken in the long run.
"""

import time
from collections.abc import Callable, Sequence
from typing import NamedTuple


class Measure(NamedTuple):
    """A store that holds ``at_once`` and fills again by ``a_second``."""

    a_second: float
    at_once: float


# At 200 a second for some seconds the thread that samples the extractor was seen to fall behind.
MEASURES = (Measure(100.0, 200.0), Measure(25.0, 2000.0))


class Pace:
    """Takes what every measure has room for; for one thread."""

    def __init__(
        self, measures: Sequence[Measure] = MEASURES, clock: Callable[[], float] = time.monotonic
    ) -> None:
        """Begin with full stores; ``clock`` in seconds, never falling."""
        self._measures, self._clock = measures, clock
        self._left = [measure.at_once for measure in measures]
        self._looked_s = clock()

    def take(self) -> bool:
        """Whether one more may be taken now."""
        now_s = self._clock()
        passed_s, self._looked_s = now_s - self._looked_s, now_s
        self._left = [
            min(measure.at_once, left + passed_s * measure.a_second)
            for measure, left in zip(self._measures, self._left, strict=True)
        ]
        if min(self._left) < 1:
            return False
        self._left = [left - 1 for left in self._left]
        return True
