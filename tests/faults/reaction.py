"""Reaction: how long from the extractor's wire to the iron's power? One command:

    python tests/faults/reaction.py [--losses 2000] [--stations 4]

Stations with real threads, on simulated wires, each in a process of its own. While each writes events and
seconds, follows them to one real broker and has its database backed up time and again, its extractor is lost at
random phases of tick, window and mains: motor dead, transformer unplugged, converter's bus failed. The time runs
from the wire to the permit's pin.

The floor is what the rules ask for: the off-delay, a window of current that is full of silence, and one tick.
A loss that the permit does not follow within 5 s counts as lost; there must be none.
"""

import argparse
import multiprocessing
import random
import sys
import tempfile
import threading
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

from campaign import ahead_of_others, keep, quantile, table
from live import Broker, Listener, wait_until
from msgspec.structs import replace
from rig import Rig

from station.journal.backup import back_up
from station.rules.limits import Limits

CAUSES = ("motor-dead", "extraction-unplugged", "extraction-bus")
PROOF_S = 1.0
LOST_AFTER_S = 5.0


def floor_s(rig: Rig) -> float:
    """Off-delay, one window of samples, one tick."""
    wire = rig.settings.wires.extraction
    return rig.settings.limits.extraction.lost_s + wire.cycles / wire.mains_hz + rig.settings.station.tick_s


def lose(rig: Rig, cause: str) -> None:
    """Lose the extraction, now."""
    if cause == "motor-dead":
        rig.plant.fan.stop()
    else:
        rig.plant.fault(cause)


def busy(rig: Rig, folder: Path, stop: threading.Event) -> None:
    """One backup after another, and requests that are refused and recorded."""
    number = 0
    while not stop.is_set():
        number += 1
        copy = folder / f"copy-{number % 2}.db"
        copy.unlink(missing_ok=True)
        back_up(rig.db, copy)
        for _ in range(5):
            rig.ask(f"take unit=nobody-{number}")
        stop.wait(1.0)


def one_station(
    folder: Path, port: int, name: str, losses: int, seed: int
) -> tuple[list[tuple[str, float]], int, int, float]:
    """Losses of one station: cause and seconds of each (infinite when lost), ticks, ticks missed, the floor."""
    ahead_of_others()
    chance = random.Random(seed)
    limits = replace(Limits(), extraction=replace(Limits().extraction, proof_s=PROOF_S))
    times: list[tuple[str, float]] = []
    stop = threading.Event()
    with Rig(folder, port, station=name, limits=limits, seed=seed) as rig:
        wait_until(rig.db.exists, what="the journal")
        worker = threading.Thread(target=busy, args=(rig, folder, stop))
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
        return times, rig.station.daemon.ticks, rig.station.daemon.missed, floor_s(rig)


def campaign(folder: Path, losses: int, stations: int) -> dict[str, object]:
    """The figures of ``losses`` losses over ``stations`` stations side by side."""
    broker = Broker(folder)
    broker.start()
    listener = Listener(broker.port)
    jobs = []
    for number in range(stations):
        place = folder / f"station-{number}"
        place.mkdir()
        jobs.append((place, broker.port, f"bench-{number + 1}", losses // stations, number + 1))
    try:
        with multiprocessing.get_context("spawn").Pool(stations) as pool:
            results = pool.starmap(one_station, jobs)
        heard = len(listener.heard)
    finally:
        listener.close()
        broker.end()
    times = [entry for result in results for entry in result[0]]
    ticks, missed, floor = sum(r[1] for r in results), sum(r[2] for r in results), results[0][3]
    seconds = [took_s for _, took_s in times if took_s < float("inf")]
    return {
        "losses": len(times),
        "lost": len(times) - len(seconds),
        "floor_s": floor,
        "median_s": round(quantile(seconds, 0.5), 4),
        "p99_s": round(quantile(seconds, 0.99), 4),
        "max_s": round(max(seconds), 4),
        "over_floor": sum(took_s > floor for took_s in seconds),
        "by_cause": {
            cause: {
                "median_s": round(quantile(of_it, 0.5), 4),
                "max_s": round(max(of_it), 4),
            }
            for cause in CAUSES
            if (of_it := [took_s for this, took_s in times if this == cause and took_s < float("inf")])
        },
        "ticks": ticks,
        "ticks_missed": missed,
        "messages_heard": heard,
    }


def shown(figures: dict[str, object]) -> str:
    """The figures as a table."""
    names = (
        "losses",
        "lost",
        "floor_s",
        "median_s",
        "p99_s",
        "max_s",
        "over_floor",
        "ticks",
        "ticks_missed",
        "messages_heard",
    )
    return table([("figure", "value"), *((name, figures[name]) for name in names)])


def main() -> int:
    """Run the campaign and keep its figures; 1 when a loss was not followed."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--losses", type=int, default=2000)
    parser.add_argument("--stations", type=int, default=4)
    told = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="benchward-reaction-") as folder:
        figures = campaign(Path(folder), told.losses, told.stations)
    print(shown(figures))
    print(keep("reaction", figures))
    return int(bool(figures["lost"]))


if __name__ == "__main__":
    raise SystemExit(main())
