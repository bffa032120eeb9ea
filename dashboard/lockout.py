"""Slows guessing down: a wait that doubles with every wrong secret, at an address, by address, by name.

The wait of a name alone counts and holds only tries from elsewhere than the bench, so nobody can shut a
technician out of the bench from somewhere else, and guessing from many addresses is slowed all the same.
"""

import threading

FREE_FOR_PLACE, FREE_FOR_ADDRESS, FREE_FOR_NAME = 3, 20, 10
LONGEST_S = 300.0
FORGOTTEN_AFTER_S = 900.0
KEPT_AT_MOST = 4096


class Lockout:
    """Counts wrong secrets; ``now_s`` is any monotonic time in seconds."""

    def __init__(self) -> None:
        self._wrong: dict[tuple[str, ...], tuple[int, float]] = {}
        self._lock = threading.Lock()

    def wait_s(self, name: str, address: str, now_s: float, *, at_bench: bool) -> float:
        """Seconds until another try is heard; 0 if it is heard now."""
        with self._lock:
            return max(self._wait_s(key, free, now_s) for key, free in _counted(name, address, at_bench))

    def wrong(self, name: str, address: str, now_s: float, *, at_bench: bool) -> None:
        """Count a wrong secret."""
        with self._lock:
            for key, _ in _counted(name, address, at_bench):
                count, last_s = self._wrong.pop(key, (0, now_s))
                count = 0 if now_s - last_s > FORGOTTEN_AFTER_S else count
                self._wrong[key] = (count + 1, now_s)
            while len(self._wrong) > KEPT_AT_MOST:
                del self._wrong[next(iter(self._wrong))]

    def right(self, name: str, address: str) -> None:
        """Forget the wrong secrets of this name at this address."""
        with self._lock:
            self._wrong.pop(("place", name, address), None)

    def _wait_s(self, key: tuple[str, ...], free: int, now_s: float) -> float:
        count, last_s = self._wrong.get(key, (0, now_s))
        if count < free or now_s - last_s > FORGOTTEN_AFTER_S:
            return 0.0
        return max(0.0, last_s + min(LONGEST_S, 2.0 ** min(count - free, 10)) - now_s)


def _counted(name: str, address: str, at_bench: bool) -> list[tuple[tuple[str, ...], int]]:
    """What a wrong secret counts against, and how many are free."""
    both = [(("place", name, address), FREE_FOR_PLACE), (("address", address), FREE_FOR_ADDRESS)]
    return both if at_bench else [*both, (("name", name), FREE_FOR_NAME)]
