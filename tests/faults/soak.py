"""Soak: does anything grow while a bench works on and on? One command:

    python tests/faults/soak.py [--simulated-hours 8] [--real-hours 1] [--json FILE]

A station with somebody at its simulated bench, a real broker, the collector, the pages with one page listening
and others fetched now and then: each a process of its own. First so many hours as fast as the threads allow (the
clock stands between ticks, so a slow machine slows the bench and skips nothing), then so many in real time, with
the real clock and the sampling thread; 0 leaves a part out.

Every few seconds the resident memory, open files and threads of each process, and the size of the journal's
write-ahead log, are noted. Past a warm-up, the samples are cut into equal stretches, and a line through their
medians is the growth per hour of the bench. Limits:

* memory: 4 MiB over the whole watch. The interpreter takes memory in pieces of 1 MiB, the C library keeps some for
  each of the pages' threads, as much as its largest page took (so all of them are warmed up first with every
  page), and SQLite's page cache grows with the file up to 2 MB. What leaks 15 bytes a tick shows in eight
  hours, 120 bytes in one.
* files, threads: half a one over the whole watch. A count may change for a moment, a trend of one is a leak.
* the write-ahead log: what SQLite's automatic checkpoint lets stand (1,000 pages of 4 KiB), over the whole watch.

Exit 1 when something grows, an answer stays out, the chain is broken, or real time loses ticks over a share.
"""

import argparse
import json
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

from campaign import keep, table
from collecting import Running
from footprint import cpu_s, footprint
from live import Broker, Listener, wait_until
from pages import Page, Pages, status
from working_bench import LEAKS

from shared.history import History

AS_FAST_AS_IT_GOES = 1000.0
STRETCHES = 8
MIB = 1.048576
LIMITS = {"memory_mb": 4 * MIB, "files": 0.5, "threads": 0.5, "write_ahead_log_mb": 4.1}
# Missed means that the bench was not looked at for a tick: a share that a shared machine may cost.
MISSED_AT_MOST = 1e-3
WARM_UP = 1 / 6
FETCHED = ("/bench/bench-1", "/units", "/units/LK-101", "/units/LK-103", "/cards", "/healthz")
FETCH_EVERY_S = 15.0
WARMING_ROUNDS = 250


class Sample(NamedTuple):
    """What was seen at a moment of the bench, hours since the start."""

    at_h: float
    seen: Mapping[str, Mapping[str, float]]


class Growth(NamedTuple):
    """How one figure of one process fared past the warm-up; over the watch, and per hour of the bench."""

    process: str
    figure: str
    first: float
    last: float
    most: float
    per_hour: float
    limit_per_hour: float

    @property
    def grows(self) -> bool:
        """Whether it is more than the limit allows."""
        return self.per_hour > self.limit_per_hour


def growth(samples: Sequence[Sample], warm_up: float = WARM_UP, ease: float = 1.0) -> list[Growth]:
    """What became of each figure of each process.

    Args:
        samples: in the order of time, at least two for each stretch past the warm-up.
        warm_up: this share of the time at the start does not count.
        ease: the limits are multiplied by it; above 1 where the watch is too short to warm up.

    Raises:
        ValueError: too few samples.
    """
    begin_h, end_h = samples[0].at_h, samples[-1].at_h
    from_h = begin_h + (end_h - begin_h) * warm_up
    past = [sample for sample in samples if sample.at_h >= from_h]
    if len(past) < 2 * STRETCHES:
        raise ValueError(f"{len(past)} samples past the warm-up; at least {2 * STRETCHES} are needed.")
    cut = [past[len(past) * n // STRETCHES : len(past) * (n + 1) // STRETCHES] for n in range(STRETCHES)]
    span_h = past[-1].at_h - past[0].at_h
    found = []
    for process, figures in past[0].seen.items():
        for figure in figures:
            medians = [statistics.median(s.seen[process][figure] for s in stretch) for stretch in cut]
            middles = [statistics.fmean(s.at_h for s in stretch) for stretch in cut]
            slope = statistics.linear_regression(middles, medians).slope
            most = max(s.seen[process][figure] for s in past)
            limit = LIMITS[figure] * ease / span_h
            found.append(Growth(process, figure, medians[0], medians[-1], most, slope, limit))
    return found


class Watch:
    """The whole bench under one folder, watched from outside. Use as a context manager."""

    def __init__(self, folder: Path, speed: float, leak: Sequence[str] = ()) -> None:
        self._folder, self.speed, self._leak = folder, speed, leak
        self.db, self._result = folder / "station.db", folder / "ticked.json"
        self.samples: list[Sample] = []
        self.fetched = 0
        self.failed: list[str] = []
        self._parts = ExitStack()

    def __enter__(self) -> "Watch":
        with ExitStack() as parts:
            broker = Broker(self._folder)
            broker.start()
            parts.callback(broker.end)
            self.listener = Listener(broker.port, "benchward/v1/bench-1/state")
            parts.callback(self.listener.close)
            collector = Running(
                self._folder, broker.port, f"sqlite:///{self._folder / 'all.db'}", "collector"
            )
            parts.callback(collector.end)
            self.station = self._station(broker.port)
            parts.callback(self._end_station)
            wait_until(lambda: self.listener.heard, 60, "the station's state")
            self.pages = Pages(self._folder, broker.port, "--db", str(self.db))
            parts.callback(self.pages.end)
            self.page = Page(self.pages.port)
            self.page.start()
            parts.callback(self.page.close)
            self._watched = {
                "station": self.station.pid,
                "pages": self.pages.process.pid,
                "collector": collector.process.pid,
                "broker": broker.pid,
            }
            self._parts = parts.pop_all()
        return self

    def __exit__(self, *details: object) -> None:
        self._parts.__exit__(*details)

    def _station(self, port: int) -> subprocess.Popen:
        settings = self._folder / "settings.toml"
        settings.write_text(
            f'[station]\nid = "bench-1"\n[broker]\nport = {port}\n[journal]\npath = "{self.db}"\n'
        )
        program = Path(__file__).resolve().parents[1] / "support" / "working_bench.py"
        command = [
            sys.executable,
            program,
            settings,
            str(self.speed),
            self._result,
            *self._leak,
        ]
        with (self._folder / "station.log").open("wb") as log:
            return subprocess.Popen(command, stdout=log, stderr=log)

    def _end_station(self) -> None:
        if self.station.poll() is None:
            self.station.send_signal(signal.SIGTERM)
            self.station.wait(60)

    def at_s(self) -> float:
        """The bench's time, by its newest state."""
        return float(self.listener.on("state")[-1]["mono_s"])

    def soak(self, bench_s: float, every_s: float) -> None:
        """Watch until the bench has worked so long, with a look every so often in real time.

        Raises:
            RuntimeError: the station ended by itself, or stands still.
        """
        fetched_s, moved_s, at_s = 0.0, time.monotonic(), -1.0
        while (now_s := self.at_s()) < bench_s:
            if self.station.poll() is not None:
                raise RuntimeError(f"the station ended: {(self._folder / 'station.log').read_text()[-2000:]}")
            if now_s > at_s:
                moved_s, at_s = time.monotonic(), now_s
            elif time.monotonic() - moved_s > 60:
                raise RuntimeError(f"the bench has stood at {at_s:g} s for a minute")
            del self.listener.heard[:-1]
            self.samples.append(Sample(now_s / 3600, self._look()))
            if time.monotonic() - fetched_s >= FETCH_EVERY_S / self.speed**0.5:
                fetched_s = time.monotonic()
                self._fetch()
            time.sleep(every_s)

    def warm_up(self, rounds: int) -> None:
        """Fetch pages until every thread that serves them has had its share."""
        for _ in range(rounds):
            for path in FETCHED:
                self._get(path)

    def _look(self) -> dict[str, dict[str, float]]:
        seen: dict[str, dict[str, float]] = {
            name: dict(footprint(pid)._asdict()) for name, pid in self._watched.items()
        }
        log = self.db.with_name(self.db.name + "-wal")
        seen["journal"] = {"write_ahead_log_mb": log.stat().st_size / 1e6 if log.exists() else 0.0}
        return seen

    def _fetch(self) -> None:
        for path in FETCHED:
            self._get(path)

    def _get(self, path: str) -> None:
        answer = status(self.pages.port, path)
        self.fetched += 1
        if answer != 200 and not (answer == 404 and path.startswith("/units/LK")):
            self.failed.append(f"{path}: {answer}")

    def processor_s(self) -> dict[str, float]:
        """Processor time of each process so far."""
        return {name: round(cpu_s(pid), 1) for name, pid in self._watched.items()}

    def ticked(self) -> dict:
        """End the station; how it ticked, and what is on record."""
        self._end_station()
        if not self._result.exists():
            raise RuntimeError(
                f"the station left no result: {(self._folder / 'station.log').read_text()[-2000:]}"
            )
        with History(self.db) as history:
            verdict, counts = history.verify(), history.counts()
        return {
            **json.loads(self._result.read_text()),
            "chain": verdict.problem or "whole",
            "recorded": counts,
        }


def part(
    speed: float,
    bench_s: float,
    every_s: float,
    *,
    rounds: int = WARMING_ROUNDS,
    ease: float = 1.0,
    leak: Sequence[str] = (),
) -> dict[str, object]:
    """One soak: its figures, with ``faults`` that make it fail.

    Args:
        speed: times real time, as far as the threads allow; at 1 clock and sampling are the real ones.
        bench_s: how long the bench is watched, in its own seconds.
        every_s: from one look to the next, in real seconds.
        rounds: of pages fetched before the watch.
        ease: the limits are multiplied by it.
        leak: what the station is made to leak, of `working_bench.LEAKS`.
    """
    begun_s = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="benchward-soak-", ignore_cleanup_errors=True) as name:
        folder = Path(name)
        folder.chmod(0o777)
        with Watch(folder, speed, leak) as watch:
            watch.warm_up(rounds)
            watch.soak(watch.at_s() + bench_s, every_s)
            took_s, processor_s = time.monotonic() - begun_s, watch.processor_s()
            ticked = watch.ticked()
            heard = watch.page.messages
    found = growth(watch.samples, ease=ease)
    real = speed == 1.0
    faults = [
        f"{g.process}: {g.figure} grows {g.per_hour:.3g} an hour, limit {g.limit_per_hour:.3g}"
        for g in found
        if g.grows
    ]
    faults += [f"fetched {failed}" for failed in watch.failed[:5]]
    if ticked["chain"] != "whole":
        faults.append(f"chain: {ticked['chain']}")
    if ticked["requests"]["unanswered"] or not ticked["requests"]["accepted"]:
        faults.append(f"requests: {ticked['requests']}")
    if ticked["ticks_missed"] > (MISSED_AT_MOST * ticked["ticks"] if real else 0):
        faults.append(f"ticks missed: {ticked['ticks_missed']} of {ticked['ticks']}")
    if not heard:
        faults.append("the page heard nothing")
    return {
        "speed": speed,
        "took_s": round(took_s),
        "times_real": round(ticked["simulated_s"] / took_s, 1),
        **ticked,
        "page_messages": heard,
        "pages_fetched": watch.fetched,
        "samples": len(watch.samples),
        "processor_s": processor_s,
        "growth": [{**g._asdict(), "grows": g.grows} for g in found],
        "faults": faults,
    }


def shown(figures: dict) -> str:
    """The figures of a part as tables."""
    rows = [("process", "figure", "after warm-up", "at the end", "most", "growth an hour", "limit", "grows")]
    rows += [
        (
            g["process"],
            g["figure"].removesuffix("_mb").replace("_", " ")
            + (", MB" if g["figure"].endswith("_mb") else ""),
            f"{g['first']:.4g}",
            f"{g['last']:.4g}",
            f"{g['most']:.4g}",
            f"{g['per_hour']:+.3f}",
            f"{g['limit_per_hour']:.3f}",
            "YES" if g["grows"] else "no",
        )
        for g in figures["growth"]
    ]
    ticks = (
        f"{figures['simulated_s'] / 3600:.2f} h of the bench in {figures['took_s']:,} s "
        f"({figures['times_real']:g} times real time): {figures['ticks']:,} ticks, {figures['ticks_late']} late, "
        f"{figures['ticks_missed']} missed; requests {figures['requests']}; recorded {figures['recorded']}; "
        f"chain {figures['chain']}; {figures['page_messages']:,} messages at the page, "
        f"{figures['pages_fetched']} pages fetched; processor {figures['processor_s']}"
    )
    faults = "\n".join(["", *(f"FAULT {fault}" for fault in figures["faults"])]) if figures["faults"] else ""
    return f"{ticks}\n\n{table(rows)}{faults}"


def main() -> int:
    """Run the parts that are asked for and keep their figures; 1 when one has a fault."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "--simulated-hours", type=float, default=8.0, help="of the bench, compressed; 0 leaves it out"
    )
    parser.add_argument("--real-hours", type=float, default=1.0, help="0 leaves it out")
    parser.add_argument(
        "--leak",
        choices=LEAKS,
        nargs="+",
        default=(),
        help="make the station leak these, to see that it is found",
    )
    parser.add_argument("--json", type=Path, metavar="FILE", help="keep the figures here")
    told = parser.parse_args()
    parts: dict[str, dict[str, object]] = {}
    for name, speed, bench_s, every_s in (
        ("simulated", AS_FAST_AS_IT_GOES, told.simulated_hours * 3600, 1.0),
        ("real", 1.0, told.real_hours * 3600, 5.0),
    ):
        if bench_s:
            parts[name] = part(speed, bench_s, every_s, leak=told.leak)
            print(f"{name}: {shown(parts[name])}\n", flush=True)
    print(keep("soak", parts, told.json))
    return int(any(figures["faults"] for figures in parts.values()))


if __name__ == "__main__":
    raise SystemExit(main())
