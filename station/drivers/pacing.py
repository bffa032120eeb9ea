"""When to take the next sample: the real clock, or anything that behaves like one."""

import time
from collections.abc import Callable
from typing import Protocol


class Pacer(Protocol):
    """A clock one can wait on."""

    def now_s(self) -> float:
        """Seconds on a clock that never goes back."""

    def wait_until_s(self, time_s: float) -> None:
        """Return once :meth:`now_s` has reached ``time_s``; at once when it has already."""


class RealPacer:
    """The machine's monotonic clock. Waits are to a point in time, so lateness does not add up."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        """Pace by ``clock``, which must run at the speed of the machine's own."""
        self._clock = clock

    def now_s(self) -> float:
        """Seconds on the clock."""
        return self._clock()

    def wait_until_s(self, time_s: float) -> None:
        """Sleep until ``time_s``."""
        left_s = time_s - self._clock()
        if left_s > 0:
            time.sleep(left_s)
