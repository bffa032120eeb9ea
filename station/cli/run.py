"""`benchward run`: the daemon, on real wires or simulated ones."""

import logging
import signal
import threading
from types import FrameType

import click

from shared.log_lines import logging_to_stderr
from station.cli.book import book_for
from station.settings import Settings

LOG = logging.getLogger("benchward")


def stop_on_signals() -> threading.Event:
    """An event that SIGTERM, SIGINT and SIGHUP set; without our handlers they would skip every clean-up."""
    stop = threading.Event()

    def handle(_number: int, _frame: FrameType | None) -> None:
        stop.set()

    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, handle)
    return stop


@click.command()
@click.option("--simulate", is_flag=True, help="Run on the simulated bench instead of this Pi's wires.")
@click.option("--speed", type=click.FloatRange(1, 100), default=1.0, help="Simulated time over real time.")
@click.option("--seed", type=int, default=0, help="Of the simulation's noise.")
@click.pass_obj
def run(settings: Settings, simulate: bool, speed: float, seed: int) -> None:
    """Run the station until it is told to stop (SIGTERM or Ctrl-C)."""
    from station.bootstrap import real_station, simulated_station

    if speed != 1.0 and not simulate:
        raise click.UsageError("--speed goes with --simulate: real wires run in real time.")
    book = book_for(settings)
    stop = stop_on_signals()
    with logging_to_stderr():
        if simulate:
            station = simulated_station(settings, book, speed=speed, seed=seed)[0]
        else:
            station = real_station(settings, book)
        with station:
            LOG.info(
                "station %s runs, sheet %s, settings %s",
                settings.station.id, book.sheet.label, settings.digest(),
            )  # fmt: skip
            station.run(stop)
        LOG.info("stopped after %d ticks, %d missed", station.daemon.ticks, station.daemon.missed)
