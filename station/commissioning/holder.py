"""A process that holds the permit until it is killed: `python -m station.commissioning.holder`.

It reads the wires' settings as JSON from its standard input, and says `holding` once the permit is energised
and the heartbeat goes. It installs no clean-up of its own for being killed: that is what is tried.
"""

import subprocess
import sys
import time
from collections.abc import Callable

import msgspec

from shared.problems import FailureError
from station.commissioning.walk import energised
from station.drivers.bench import Bench, real_bench
from station.settings import Wires
from station.simulation.bench import SimulatedBench

TICK_S = 0.1
AFTER_DEATH_S = 2.0
LIMIT_S = 30.0
"""Nobody leaves an iron on by walking away: a holder that is not killed ends by itself, safely."""

HOLDING = "holding"


class ProcessHolder:
    """Starts the holder and kills it with SIGKILL."""

    def __init__(self, wires: Wires, *, simulated: bool, after: Callable[[], None] | None = None) -> None:
        """Prepare; nothing starts before :meth:`killed`.

        Args:
            wires: which pins; nobody else may hold them meanwhile.
            simulated: on mock pins.
            after: what to do after it was killed; waits two seconds when None.
        """
        self._wires, self._simulated = wires, simulated
        self._after = after or (lambda: time.sleep(AFTER_DEATH_S))

    def killed(self, while_alive: Callable[[], bool]) -> bool:
        """Start it, ask, kill it.

        Raises:
            FailureError: it did not come to hold the permit, or it ended before it was killed.
        """
        command = [sys.executable, "-m", "station.commissioning.holder"]
        if self._simulated:
            command.append("--simulate")
        child = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        try:
            if child.stdin is None or child.stdout is None:
                raise FailureError("The program that holds the permit has no pipes.")
            child.stdin.write(msgspec.json.encode(self._wires).decode() + "\n")
            child.stdin.flush()
            if child.stdout.readline().strip() != HOLDING:
                raise FailureError("The program that was to hold the permit did not come to it; see above.")
            answer = while_alive()
        finally:
            child.kill()
            child.wait()
            for pipe in (child.stdin, child.stdout):
                if pipe is not None:
                    pipe.close()
        if child.returncode != -9:
            raise FailureError(
                f"The program that held the permit ended by itself (code {child.returncode}) before it was "
                f"killed; answer within {LIMIT_S:g} s."
            )
        self._after()
        return answer


def hold(bench: Bench, limit_s: float = LIMIT_S) -> None:
    """Hold the permit with its heartbeat, and say so once; safe again when the time is over."""
    with bench:
        for tick in range(round(limit_s / TICK_S)):
            bench.write(energised(tick))
            if tick == 0:
                sys.stdout.write(HOLDING + "\n")
                sys.stdout.flush()
            time.sleep(TICK_S)


def main() -> None:
    """Hold the permit of the wires on standard input."""
    wires = msgspec.json.decode(sys.stdin.readline(), type=Wires)
    hold(SimulatedBench(wires).bench if "--simulate" in sys.argv else real_bench(wires))


if __name__ == "__main__":
    main()
