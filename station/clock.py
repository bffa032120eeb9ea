"""Clocks of the daemon: monotonic milliseconds of a named boot, and wall time where it can be trusted."""

import threading
import time
import uuid
from pathlib import Path
from typing import Protocol

# systemd-timesyncd touches this once the clock has been set from the network.
SYNCHRONISED = Path("/run/systemd/timesync/synchronized")
LOOK_AGAIN_S = 1.0
CATCH_UP_S = 0.2
# Closer to a tick than this nothing is worth a waking of its own.
SHORTEST_S = 0.002


class Clock(Protocol):
    """What the daemon asks of time."""

    boot: str

    def mono_s(self) -> float:
        """Seconds of this boot; never goes back."""

    def mono_ms(self) -> int:
        """Whole milliseconds of the same."""

    def wall_ms(self) -> int | None:
        """Unix milliseconds, or None while the clock cannot be trusted."""

    def sleep_until_ms(self, mono_ms: int) -> None:
        """Return once `mono_ms` has reached this."""

    def wait_until_ms(self, mono_ms: int, wake: threading.Event) -> bool:
        """The same, but return True as soon as ``wake`` is set before."""


class WallClock:
    """The machine's wall clock, from when on it may be trusted."""

    def __init__(self, *, trusted: bool, sync_file: Path) -> None:
        self._trusted, self._sync_file = trusted, sync_file
        self._looked_s = float("-inf")

    def ms(self) -> int | None:
        """Unix milliseconds, or None while the clock has not been set."""
        if not self._trusted and time.monotonic() - self._looked_s >= LOOK_AGAIN_S:
            self._looked_s = time.monotonic()
            self._trusted = self._sync_file.exists()
        return time.time_ns() // 1_000_000 if self._trusted else None


class RealClock:
    """The machine's clocks; wall time is trusted once the machine has been synchronised, or by order."""

    def __init__(self, boot: str, *, trusted: bool = False, sync_file: Path = SYNCHRONISED) -> None:
        """Take the boot's name.

        Args:
            boot: as the record tells it (`journal.boot_name`).
            trusted: take the wall clock as set without waiting for synchronisation.
            sync_file: is there once the clock has been set.
        """
        self.boot = boot
        self._wall = WallClock(trusted=trusted, sync_file=sync_file)

    def mono_s(self) -> float:
        """Seconds of the kernel's monotonic clock."""
        return time.monotonic()

    def mono_ms(self) -> int:
        """Whole milliseconds of the same."""
        return time.monotonic_ns() // 1_000_000

    def wall_ms(self) -> int | None:
        """Unix milliseconds, or None while the machine is not synchronised."""
        return self._wall.ms()

    def sleep_until_ms(self, mono_ms: int) -> None:
        """Sleep until then."""
        left_s = mono_ms / 1000 - time.monotonic()
        if left_s > 0:
            time.sleep(left_s)

    def wait_until_ms(self, mono_ms: int, wake: threading.Event) -> bool:
        """Sleep until then, or until woken."""
        return _waited(mono_ms / 1000 - time.monotonic(), wake)


def _waited(left_s: float, wake: threading.Event) -> bool:
    """Wait so long; whether it was cut short. What comes just before the end waits for the tick."""
    if left_s > SHORTEST_S and wake.wait(left_s - SHORTEST_S):
        return True
    time.sleep(max(0.0, min(left_s, SHORTEST_S)))
    return False


class FreshClock:
    """A clock of a boot of its own, from zero, as fast as the machine's, with the machine's wall time."""

    def __init__(self, sync_file: Path | None = None) -> None:
        """Start now; without a ``sync_file`` the machine's wall clock is taken as set."""
        self.boot = f"sim-{uuid.uuid4()}"
        self._start_s = time.monotonic()
        self._start_wall_ms = time.time_ns() // 1_000_000
        self._wall = WallClock(trusted=sync_file is None, sync_file=sync_file or SYNCHRONISED)

    def mono_s(self) -> float:
        """Seconds since the start."""
        return time.monotonic() - self._start_s

    def mono_ms(self) -> int:
        """Whole milliseconds of the same."""
        return int(self.mono_s() * 1000)

    def wall_ms(self) -> int | None:
        """Unix milliseconds, or None while the machine's clock has not been set."""
        return self._wall.ms()

    def sleep_until_ms(self, mono_ms: int) -> None:
        """Sleep until then."""
        left_s = mono_ms / 1000 - self.mono_s()
        if left_s > 0:
            time.sleep(left_s)

    def wait_until_ms(self, mono_ms: int, wake: threading.Event) -> bool:
        """Sleep until then, or until woken."""
        return _waited(mono_ms / 1000 - self.mono_s(), wake)


class SteppedClock(FreshClock):
    """A clock that stands between ticks and runs up to ``speed`` times as fast as the machine's.

    It moves only when somebody sleeps on it, to exactly the time slept for. A machine that lags slows
    simulated time down; it never leaves a gap in it.
    """

    def __init__(self, speed: float) -> None:
        """Stand at zero."""
        super().__init__()
        self._speed = speed
        self._now_ms = 0
        self._moved_s = time.monotonic()

    def mono_s(self) -> float:
        """Seconds of simulated time."""
        return self._now_ms / 1000

    def mono_ms(self) -> int:
        """Whole milliseconds of the same."""
        return self._now_ms

    def wall_ms(self) -> int | None:
        """The wall time at the start plus the simulated time since."""
        return self._start_wall_ms + self._now_ms

    def wait_until_ms(self, mono_ms: int, wake: threading.Event) -> bool:
        """Let simulated time pass until then; it stands between ticks, so that nobody is woken in between."""
        self.sleep_until_ms(mono_ms)
        return False

    def sleep_until_ms(self, mono_ms: int) -> None:
        """Let simulated time pass until then."""
        if mono_ms <= self._now_ms:
            return
        due_s = self._moved_s + (mono_ms - self._now_ms) / 1000 / self._speed
        now_s = time.monotonic()
        if due_s > now_s:
            time.sleep(due_s - now_s)
            self._moved_s = due_s
        else:
            self._moved_s = max(due_s, now_s - CATCH_UP_S)  # do not race after a long stall
        self._now_ms = mono_ms
