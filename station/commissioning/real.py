"""The wires of a bench as a walk sees them, in real time."""

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

from shared.indication import SAFE
from station.commissioning.parties import Look, Pattern
from station.drivers.bench import Bench

TICK_S = 0.1


class BenchWires:
    """A bench's wires; while something is shown, a thread keeps the outputs and the heartbeat going."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench

    def look(self) -> Look:
        """All inputs, a tenth of a second from now."""
        time.sleep(TICK_S)
        return Look(*self._bench.read(), self._bench.pressed())

    @contextmanager
    def showing(self, pattern: Pattern) -> Iterator[None]:
        """Drive the outputs while a person looks.

        Raises:
            FailureError: a pin could not be written.
        """
        stop = threading.Event()
        failures: list[Exception] = []

        def drive() -> None:
            tick = 0
            try:
                while not stop.is_set():
                    self._bench.write(pattern(tick))
                    tick += 1
                    stop.wait(TICK_S)
            except Exception as error:  # noqa: BLE001  # handed to whoever waits
                failures.append(error)

        thread = threading.Thread(target=drive, name="showing")
        thread.start()
        try:
            yield
        finally:
            stop.set()
            thread.join()
            self._bench.write(SAFE)
        if failures:
            raise failures[0]
