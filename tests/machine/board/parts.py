"""A station's real parts, put together as the daemon has them, but told from outside what to do.

The rules give no permit on a bus where nobody answers, so that its pin would never be seen high. Here the
outputs are told one by one; parts, beginning and end are the station's own.

Usage: parts.py SETTINGS; a command a line on standard input, an answer in JSON a line on standard output.
"""

import json
import select
import sys
import time
from pathlib import Path

import msgspec

from shared.indication import Levels
from station.bootstrap import Station, real_station
from station.cli.book import book_for
from station.cli.run import stop_on_signals
from station.settings import load_settings


def answer(station: Station, command: str, argument: str) -> object:
    """Do what one line says."""
    bench = station._bench
    if command == "on":
        bench.write(Levels(**dict.fromkeys(filter(None, argument.split(",")), True)))
        return msgspec.to_builtins(bench.levels())
    if command == "read":
        plate, extraction, solvent_out = bench.read()
        return {
            "plate": msgspec.to_builtins(plate),
            "extraction": msgspec.to_builtins(extraction),
            "solvent_out": solvent_out,
        }
    assert command == "ticks", command
    return ticks(station, int(argument))


def ticks(station: Station, count: int) -> list[float]:
    """How long each of so many of the daemon's ticks took, ms; at the daemon's own pace."""
    took_ms = []
    for _ in range(count):
        before_s = time.perf_counter()
        station.daemon.tick()
        took_ms.append((time.perf_counter() - before_s) * 1000)
        time.sleep(max(0.0, 0.1 - took_ms[-1] / 1000))
    return took_ms


def main() -> None:
    """Hold the parts until told to stop by a signal."""
    settings = load_settings(Path(sys.argv[1]))
    stop = stop_on_signals()
    with real_station(settings, book_for(settings)) as station:
        print(json.dumps("ready"), flush=True)
        while not stop.is_set():
            if select.select([sys.stdin], [], [], 0.1)[0]:
                command, _, argument = sys.stdin.readline().strip().partition(" ")
                print(json.dumps(answer(station, command, argument)), flush=True)


if __name__ == "__main__":
    main()
