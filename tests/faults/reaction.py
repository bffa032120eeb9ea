"""Reaction: how long from the extractor's wire to the iron's power? One command:

    python tests/faults/reaction.py [--losses 2000] [--stations 5] [--json FILE]

Stations with real threads, on simulated wires, each in a process of its own, on a database that holds a week
already. While each writes events and seconds and follows them to one real broker, a process of its own backs
each database up time and again, and pages served from the first station's record are open twenty times and
fetched. Its extractor is lost at random phases of tick, window and mains: motor dead, transformer unplugged,
converter's bus failed. The time runs from the wire to the permit's pin.

The floor is what the rules ask for: the off-delay after a window full of silence. Beyond it come, at the worst,
a mains cycle until that window is judged and a tick until it is looked at: the bound. A loss that the permit
does not follow within 5 s counts as lost; there must be none.
"""

import argparse
import multiprocessing
import random
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

from campaign import ahead_of_others, keep, quantile, table
from live import Broker, Listener, wait_until
from msgspec.structs import replace
from pages import Page, Pages, status
from rig import Rig
from year import make_year

from station.rules.limits import Limits

CAUSES = ("motor-dead", "extraction-unplugged", "extraction-bus")
PROOF_S = 1.0
LOST_AFTER_S = 5.0
PAGES = 20
FETCHED = ("/bench/bench-1", "/units", "/units/U-00001")
BACK_UP = """
import sys
from pathlib import Path
from station.journal.backup import back_up
number = 0
while True:
    for path in map(Path, sys.argv[1:]):
        copy = path.with_suffix(f".copy-{number % 2}")
        copy.unlink(missing_ok=True)
        back_up(path, copy)
        number += 1
        print(number, flush=True)
"""


class Losses(NamedTuple):
    """What one station did: cause and seconds of each loss (infinite when lost), ticks, floor and bound."""

    times: list[tuple[str, float]]
    ticks: int
    late: int
    missed: int
    floor_s: float
    bound_s: float


def floor_s(rig: Rig) -> float:
    """Off-delay and one window of samples."""
    wire = rig.settings.wires.extraction
    return rig.settings.limits.extraction.lost_s + wire.cycles / wire.mains_hz


def lose(rig: Rig, cause: str) -> None:
    """Lose the extraction, now."""
    if cause == "motor-dead":
        rig.plant.fan.stop()
    else:
        rig.plant.fault(cause)


def refused(rig: Rig, stop: threading.Event) -> None:
    """Requests that are refused and recorded, five a second."""
    number = 0
    while not stop.wait(1.0):
        number += 1
        for _ in range(5):
            rig.ask(f"take unit=nobody-{number}")


def one_station(folder: Path, port: int, name: str, losses: int, seed: int) -> Losses:
    """Losses of one station."""
    ahead_of_others()
    chance = random.Random(seed)
    limits = replace(Limits(), extraction=replace(Limits().extraction, proof_s=PROOF_S))
    times: list[tuple[str, float]] = []
    stop = threading.Event()
    with Rig(folder, port, station=name, limits=limits, seed=seed) as rig:
        worker = threading.Thread(target=refused, args=(rig, stop))
        worker.start()
        fell = rig.when_permit_goes()
        try:
            for number in range(losses):
                rig.plant.heal()
                rig.plant.fan.start()
                wait_until(rig.permit, 60.0, "the permit")
                time.sleep(chance.uniform(0.0, 0.3))
                cause = CAUSES[number % len(CAUSES)]
                before = len(fell)
                began = time.monotonic()
                lose(rig, cause)
                while len(fell) == before and time.monotonic() - began < LOST_AFTER_S:
                    time.sleep(0.005)
                times.append((cause, fell[before] - began if len(fell) > before else float("inf")))
        finally:
            stop.set()
            worker.join(30)
        if rig.died is not None:
            raise rig.died
        daemon, tick_s = rig.station.daemon, rig.settings.station.tick_s
        bound_s = floor_s(rig) + 1 / rig.settings.wires.extraction.mains_hz + tick_s
        return Losses(times, daemon.ticks, daemon.late, daemon.missed, floor_s(rig), bound_s)


class Office:
    """Twenty pages open on the first station, others fetched, and every database backed up, until closed."""

    def __init__(self, folder: Path, broker: Broker, databases: Sequence[Path]) -> None:
        self.fetched, self.failed = 0, 0
        self._stop = threading.Event()
        with ExitStack() as parts:
            self._log = folder / "backups.log"
            with self._log.open("wb") as log:
                backups = subprocess.Popen(
                    [sys.executable, "-c", BACK_UP, *map(str, databases)], stdout=log, stderr=log
                )
            parts.callback(backups.wait)
            parts.callback(backups.terminate)
            self._backups = backups
            self._pages = Pages(folder, broker.port, "--db", str(databases[0]))
            parts.callback(self._pages.end)
            self._open = [Page(self._pages.port) for _ in range(PAGES)]
            for page in self._open:
                page.start()
                parts.callback(page.close)
            fetcher = threading.Thread(target=self._fetch)
            fetcher.start()
            parts.callback(fetcher.join)
            parts.callback(self._stop.set)
            self._parts = parts.pop_all()

    def _fetch(self) -> None:
        while not self._stop.wait(0.2):
            for path in FETCHED:
                answer = 0
                with suppress(OSError):
                    answer = status(self._pages.port, path)
                self.fetched += 1
                self.failed += answer != 200

    def figures(self) -> dict[str, object]:
        """What was done beside the losses.

        Raises:
            RuntimeError: the backups ended by themselves.
        """
        lines = self._log.read_text().split("\n")
        if self._backups.poll() is not None:
            raise RuntimeError(f"the backups ended: {lines[-5:]}")
        heard = sorted(page.messages for page in self._open)
        return {
            "backups": int(lines[-2]) if len(lines) > 1 else 0,
            "pages_open": len(heard),
            "messages_at_the_slowest_page": heard[0],
            "pages_fetched": self.fetched,
            "pages_failed": self.failed,
        }

    def close(self) -> None:
        """End all of it."""
        self._parts.close()


@contextmanager
def office(folder: Path, broker: Broker, databases: Sequence[Path]) -> Iterator[Office]:
    """An office at work."""
    made = Office(folder, broker, databases)
    try:
        yield made
    finally:
        made.close()


def campaign(folder: Path, losses: int, stations: int, days: int = 7) -> dict[str, object]:
    """The figures of ``losses`` losses over ``stations`` stations, whose record holds so many days already."""
    folder.chmod(0o777)  # the broker runs as its own user
    before = folder / "before.db"
    make_year(before, days, 14 * days)
    broker = Broker(folder)
    broker.start()
    listener = Listener(broker.port)
    jobs, databases = [], []
    for number in range(stations):
        name, place = f"bench-{number + 1}", folder / f"station-{number}"
        place.mkdir()
        databases.append(place / f"{name}.db")
        shutil.copy(before, databases[-1])
        jobs.append((place, broker.port, name, losses // stations, number + 1))
    try:
        with (
            office(folder, broker, databases) as beside,
            multiprocessing.get_context("spawn").Pool(stations) as pool,
        ):
            results = pool.starmap(one_station, jobs)
            done = beside.figures()
        heard = len(listener.heard)
    finally:
        listener.close()
        broker.end()
    times = [entry for result in results for entry in result.times]
    seconds = [took_s for _, took_s in times if took_s < float("inf")]
    bound_s = results[0].bound_s
    return {
        "losses": len(times),
        "lost": len(times) - len(seconds),
        "floor_s": results[0].floor_s,
        "bound_s": bound_s,
        "median_s": round(quantile(seconds, 0.5), 4),
        "p99_s": round(quantile(seconds, 0.99), 4),
        "max_s": round(max(seconds), 4),
        "over_bound": sum(took_s > bound_s for took_s in seconds),
        "by_cause": {
            cause: {
                "median_s": round(quantile(of_it, 0.5), 4),
                "max_s": round(max(of_it), 4),
            }
            for cause in CAUSES
            if (of_it := [took_s for this, took_s in times if this == cause and took_s < float("inf")])
        },
        "ticks": sum(result.ticks for result in results),
        "ticks_late": sum(result.late for result in results),
        "ticks_missed": sum(result.missed for result in results),
        "messages_heard": heard,
        **done,
    }


def shown(figures: dict[str, object]) -> str:
    """The figures as a table."""
    names = [name for name in figures if name != "by_cause"]
    return table([("figure", "value"), *((name.replace("_", " "), figures[name]) for name in names)])


def main() -> int:
    """Run the campaign and keep its figures; 1 when a loss was not followed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--losses", type=int, default=2000)
    parser.add_argument("--stations", type=int, default=5)
    parser.add_argument("--json", type=Path, metavar="FILE", help="keep the figures here")
    told = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="benchward-reaction-") as folder:
        figures = campaign(Path(folder), told.losses, told.stations)
    print(shown(figures))
    print(keep("reaction", figures, told.json))
    return int(bool(figures["lost"]))


if __name__ == "__main__":
    raise SystemExit(main())
