"""Slows guessing down: a wait that doubles with every wrong secret, by name at an address and by address.

The name alone is never locked, so nobody can shut a technician out of the bench from somewhere else.
"""

import threading

FREE_FOR_NAME, FREE_FOR_ADDRESS = 3, 20
LONGEST_S = 300.0
FORGOTTEN_AFTER_S = 900.0
KEPT_AT_MOST = 4096


class Lockout:
    """Counts wrong secrets; ``now_s`` is any monotonic time in seconds."""

    def __init__(self) -> None:
        self._wrong: dict[tuple[str, ...], tuple[int, float]] = {}
        self._lock = threading.Lock()

    def wait_s(self, name: str, address: str, now_s: float) -> float:
        """Seconds until another try is heard; 0 if it is heard now."""
        with self._lock:
            return max(
                self._wait_s((name, address), FREE_FOR_NAME, now_s),
                self._wait_s((address,), FREE_FOR_ADDRESS, now_s),
            )

    def wrong(self, name: str, address: str, now_s: float) -> None:
        """Count a wrong secret."""
        with self._lock:
            for key in ((name, address), (address,)):
                count, last_s = self._wrong.pop(key, (0, now_s))
                count = 0 if now_s - last_s > FORGOTTEN_AFTER_S else count
                self._wrong[key] = (count + 1, now_s)
            while len(self._wrong) > KEPT_AT_MOST:
                del self._wrong[next(iter(self._wrong))]

    def right(self, name: str, address: str) -> None:
        """Forget the wrong secrets of this name at this address."""
        with self._lock:
            self._wrong.pop((name, address), None)

    def _wait_s(self, key: tuple[str, ...], free: int, now_s: float) -> float:
        count, last_s = self._wrong.get(key, (0, now_s))
        if count < free or now_s - last_s > FORGOTTEN_AFTER_S:
            return 0.0
        return max(0.0, last_s + min(LONGEST_S, 2.0 ** min(count - free, 10)) - now_s)
