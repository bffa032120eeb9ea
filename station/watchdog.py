"""The service manager's watchdog: fed after a tick, and only while every worker still moves.

A daemon that hangs is worse than one that died: lamps and permit stay as they were. The service manager
(systemd) ends and restarts a service that has not said "I live" for a while. The tick says so, and
withholds it when a worker thread has stopped turning: then journal, link or extraction would be missing
for ever, and a restart brings them back. A disk or a broker that fails is no reason: the workers still
turn then, and an alarm tells it.

The messages are those of sd_notify(3): lines of text in one datagram to the socket that NOTIFY_SOCKET names.
"""

import logging
import os
import socket
import time
from collections.abc import Callable, Mapping
from typing import NamedTuple

LOG = logging.getLogger("benchward.watchdog")
FEED_EVERY_S = 1.0


class Worker(NamedTuple):
    """A thread that must keep turning.

    ``beat_s``: when it last turned, by time.monotonic(); None where there is no such thread in this run.
    ``limit_s``: how long a turn may take at the very most.
    """

    beat_s: Callable[[], float | None]
    limit_s: float


class ServiceManager:
    """Whoever started this program, if it wants to be told; else nobody."""

    def __init__(self, environ: Mapping[str, str] = os.environ) -> None:
        """Take the socket's name; one that begins with @ is in the abstract namespace."""
        name = environ.get("NOTIFY_SOCKET", "")
        self._address = "\0" + name[1:] if name.startswith("@") else name

    def tell(self, *lines: str) -> bool:
        """Send lines such as ``READY=1``; False if nobody listens. Never blocks, never raises."""
        if not self._address:
            return False
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK) as speaking:
                speaking.sendto("\n".join(lines).encode(), self._address)
        except OSError as error:
            LOG.warning("the service manager cannot be told %r: %s", lines, error)
            return False
        return True


class Watchdog:
    """Says that the station is ready, that it lives, and that it ends."""

    def __init__(
        self,
        manager: ServiceManager,
        workers: Mapping[str, Worker],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """Watch ``workers``, each under its name, by ``clock`` (seconds, the one their beats are of)."""
        self._manager, self._workers, self._clock = manager, workers, clock
        self._fed_s = float("-inf")
        self._ready = False
        self._stuck: list[str] = []

    def tick(self) -> None:
        """After each tick: feed if it is time to, and if every worker has moved lately."""
        now_s = self._clock()
        if now_s - self._fed_s < FEED_EVERY_S:
            return
        stuck = self.stuck(now_s)
        if stuck != self._stuck:
            if stuck:
                LOG.error("the watchdog is not fed: %s turned too long ago", ", ".join(stuck))
            else:
                LOG.warning("the watchdog is fed again")
            self._stuck = stuck
        if stuck:
            return
        self._fed_s = now_s
        self._manager.tell("WATCHDOG=1") if self._ready else self._manager.tell("READY=1", "WATCHDOG=1")
        self._ready = True

    def stuck(self, now_s: float) -> list[str]:
        """The names of the workers that have not turned within their limits."""
        found = []
        for name, worker in self._workers.items():
            beat_s = worker.beat_s()
            if beat_s is not None and now_s - beat_s > worker.limit_s:
                found.append(name)
        return found

    def stopping(self) -> None:
        """The station ends because it was told to."""
        self._manager.tell("STOPPING=1")
