"""A station in a process of its own, at whose simulated bench somebody works until it is told to stop.

    python tests/support/working_bench.py SETTINGS SPEED RESULT [LEAK ...]

At speed 1 the sampling thread and the clock are the real ones. At the end RESULT says how it ticked (JSON).
LEAK (memory, files, threads) makes it lose these as it goes, for whoever wants to see that a watch finds it.
"""

import json
import os
import sys
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from shared.messages import Answer
from shared.sheet import default_sheet
from station.bootstrap import simulated_station
from station.cli.run import stop_on_signals
from station.link.asking import Asker
from station.rules.tick import Book
from station.settings import load_settings
from station.simulation.morning import TECHNICIAN, Hands, Stopped, morning

LEAKS = ("memory", "files", "threads")


def mornings(hands: Hands) -> None:
    """One after another; what is left open at the end of one is closed, so that the work does not pile up."""
    number = 101
    try:
        while True:
            first, second = f"LK-{number}", f"LK-{number + 1}"
            morning(hands, first, second)
            hands.say(f"sign-in technician={TECHNICIAN}")
            hands.say(f"take unit={first}")
            hands.say('abandon reason="the shift is over"')
            hands.say(f'close unit={first} outcome=scrapped reason="not cured"')
            hands.say("sign-out")
            number += 2
    except Stopped:
        return


def counted(ask: Callable[[str], Answer | None], counts: dict[str, int]) -> Callable[[str], Answer | None]:
    """The same, counting what became of each request."""

    def asked(text: str) -> Answer | None:
        answer = ask(text)
        what = "unanswered" if answer is None else "accepted" if answer.accepted else "refused"
        counts[what] += 1
        return answer

    return asked


def leaking(
    what: Sequence[str], after_tick: Callable[[], None], ended: threading.Event
) -> Callable[[], None]:
    """A follower of ticks that loses something as well: 2 kB a tick, a file, a thread every 500 ticks."""
    lost: list[object] = []
    ticks = 0

    def leak() -> None:
        nonlocal ticks
        after_tick()
        ticks += 1
        if "memory" in what:
            lost.append(bytes(2000))
        if "files" in what and ticks % 500 == 0:
            lost.append(os.open(os.devnull, os.O_RDONLY))
        if "threads" in what and ticks % 500 == 0:
            thread = threading.Thread(target=ended.wait, daemon=True)
            thread.start()
            lost.append(thread)

    return leak


def main() -> None:
    """Run until SIGTERM."""
    settings = load_settings(Path(sys.argv[1]))
    speed, result = float(sys.argv[2]), Path(sys.argv[3])
    stop = stop_on_signals()
    book = Book(settings.limits, default_sheet())
    station, plant, clock = simulated_station(settings, book, speed=speed, seed=1)
    counts = {"accepted": 0, "refused": 0, "unanswered": 0}
    if sys.argv[4:]:
        station.daemon._after_tick = leaking(sys.argv[4:], station.daemon._after_tick, stop)
    with station:
        end_s = time.monotonic() + 15
        while station.link is not None and not station.link.up and time.monotonic() < end_s:
            time.sleep(0.01)
        name = settings.station.id
        with Asker(settings.broker.host, settings.broker.port, name, "technician") as asker:
            hands = Hands(plant, clock, counted(asker.ask, counts), lambda _: None, stop)
            work = threading.Thread(target=mornings, args=(hands,), name="technician")
            work.start()
            try:
                station.run(stop)
            finally:
                stop.set()
                work.join()
    daemon = station.daemon
    ticked = {"ticks": daemon.ticks, "ticks_late": daemon.late, "ticks_missed": daemon.missed}
    result.write_text(json.dumps({**ticked, "simulated_s": clock.mono_s(), "requests": counts}))


if __name__ == "__main__":
    main()
