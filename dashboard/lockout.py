"""Slows guessing down: a wait that doubles with every wrong secret, by place, by address, by name.

Every try is counted before its secret is looked at, so that many at once are no more than as many one after
the other; a right secret takes its own try back. A place is a name at an address. Who has been let in at a
place waits there only for tries of their own name at it, so that nobody can shut a technician out of the
bench from somewhere else, or by guessing other names beside them.
"""

import ipaddress
import threading
from typing import Any, NamedTuple

FREE_FOR_PLACE, FREE_FOR_ADDRESS, FREE_FOR_NAME, FREE_FOR_NAME_AT_BENCH = 3, 20, 10, 30
LONGEST_S = 300.0
FORGOTTEN_AFTER_S = 900.0
KEPT_AT_MOST = 4096

Key = tuple[str, ...]


class _Count(NamedTuple):
    """Tries counted, and when the last was."""

    tries: int
    last_s: float


class Lockout:
    """Counts tries; ``now_s`` is any monotonic time in seconds. Safe for any number of threads."""

    def __init__(self) -> None:
        self._counts: dict[Key, _Count] = {}
        self._known: dict[Key, None] = {}
        self._lock = threading.Lock()

    def attempt(self, name: str, address: str, now_s: float, *, at_bench: bool) -> float:
        """Count a try that is about to be judged: 0, or the seconds to wait (and it is not counted)."""
        with self._lock:
            keys = self._counted(name, address, at_bench)
            wait_s = max(self._wait_s(key, free, now_s) for key, free in keys)
            if wait_s == 0:
                for key, _ in keys:
                    tries = self._tries(key, now_s)
                    self._counts.pop(key, None)
                    self._counts[key] = _Count(tries + 1, now_s)
                _shorten(self._counts)
            return wait_s

    def right(self, name: str, address: str, *, at_bench: bool) -> None:
        """Take back a try whose secret was right, and forget the wrong ones of this name at this address."""
        with self._lock:
            for key, _ in self._counted(name, address, at_bench):
                if (count := self._counts.get(key)) is not None:
                    self._counts[key] = count._replace(tries=count.tries - 1)
            place = ("place", name, group_of(address))
            self._counts.pop(place, None)
            self._known.pop(place, None)
            self._known[place] = None
            _shorten(self._known)

    def _counted(self, name: str, address: str, at_bench: bool) -> list[tuple[Key, int]]:
        """What a try counts against, and how many are free."""
        group = group_of(address)
        place = ("place", name, group)
        if place in self._known:
            return [(place, FREE_FOR_PLACE)]
        of_name = (
            (("name at the bench", name), FREE_FOR_NAME_AT_BENCH)
            if at_bench
            else (("name", name), FREE_FOR_NAME)
        )
        return [(place, FREE_FOR_PLACE), (("address", group), FREE_FOR_ADDRESS), of_name]

    def _tries(self, key: Key, now_s: float) -> int:
        count = self._counts.get(key)
        return 0 if count is None or now_s - count.last_s > FORGOTTEN_AFTER_S else count.tries

    def _wait_s(self, key: Key, free: int, now_s: float) -> float:
        tries = self._tries(key, now_s)
        if tries < free:
            return 0.0
        return max(0.0, self._counts[key].last_s + min(LONGEST_S, 2.0 ** min(tries - free, 10)) - now_s)


def group_of(address: str) -> str:
    """What counts as one address: a public IPv6 network of 64 bits is one caller's, who may use all of it."""
    try:
        found = ipaddress.ip_address(address)
    except ValueError:
        return address
    if isinstance(found, ipaddress.IPv6Address) and found.is_global:
        return str(ipaddress.ip_network((int(found), 64), strict=False))
    return str(found)


def _shorten(kept: dict[Key, Any]) -> None:
    while len(kept) > KEPT_AT_MOST:
        del kept[next(iter(kept))]
