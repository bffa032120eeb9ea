"""How long this process stood still: stopped, starved or suspended, while others went on.

A request that is read after that has waited in the socket for nobody knows how long. Its expiry counts from
when it was sent, so the time that was stood still is taken off it.
"""

# A turn of the link takes less; a longer one is a standstill. A paused process is told only beyond this.
LONGEST_TURN_S = 1.0
# What came within this time after a standstill may have waited through it.
SETTLE_S = 0.5


class Stillness:
    """Told with :meth:`look` at every turn what the monotonic clock says."""

    def __init__(self, now_s: float) -> None:
        """Begin to look."""
        self._looked_s = now_s
        self._stood_s = 0.0
        self._ended_s = float("-inf")

    def look(self, now_s: float) -> None:
        """One more turn."""
        if now_s - self._looked_s > LONGEST_TURN_S:
            self._stood_s, self._ended_s = now_s - self._looked_s, now_s
        self._looked_s = now_s

    def older_s(self, came_s: float) -> float:
        """How much older something may be than its coming says."""
        began_s = self._ended_s - self._stood_s
        return self._stood_s if began_s <= came_s <= self._ended_s + SETTLE_S else 0.0
