"""Puts a station together: real or simulated wires, journal, link, daemon; and takes it apart in order.

The one place that knows which parts there are. Everything is passed in from here; nothing is built at import.
"""

import logging
import sys
import threading
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from msgspec.structs import asdict, replace

from shared.events import Calibrated
from shared.indication import Levels
from shared.messages import Answer
from shared.problems import FailureError
from shared.readings import ExtractionReading, PlateReading
from shared.requests import Asked
from shared.timeline import Moment
from station.calibration import on_record
from station.clock import SYNCHRONISED, Clock, FreshClock, RealClock, SteppedClock
from station.daemon import Asking, Daemon, Follower, Inbox, NoLink, Wiring
from station.drivers.bench import Bench, real_bench
from station.journal.boot_name import boot_name
from station.journal.writer import Journal
from station.link.link import Link
from station.measurement.uncertainty import plate_budget
from station.metrics import Seen, board_c, exposition
from station.metrics_server import MetricsServer
from station.rules.tick import Book
from station.settings import Settings
from station.simulation.bench import SimulatedBench
from station.watchdog import ServiceManager, Watchdog, Worker

LOG = logging.getLogger("benchward")
FLUSH_S = 10.0
# How long a thread may keep the interpreter while others wait. At Python's own 5 ms one busy thread (a
# backlog being sent, a page of history) leaves the sampling thread too few samples, and the proof is lost; at
# half a millisecond a flood of requests at the broker still did.
SWITCH_S = 0.00005
# How long a turn of each worker may take at the very most. A worn card can hold a write for many seconds,
# a farewell to a slow broker some; the extraction takes a window ten times a second.
JOURNAL_TURN_S = 90.0
LINK_TURN_S = 60.0
SAMPLER_TURN_S = 10.0
WORKING_C = 100.0


class SimulatedWiring:
    """Simulated wires that live up to each tick before they are read."""

    def __init__(self, plant: SimulatedBench, clock: Clock) -> None:
        self._plant, self._clock = plant, clock

    def read(self) -> tuple[PlateReading, ExtractionReading, bool | None]:
        """One tick's wires."""
        self._plant.advance_to(self._clock.mono_s())
        return self._plant.bench.read()

    def presses(self) -> int:
        """Presses of the acknowledge button since last asked."""
        return self._plant.bench.presses()

    def write(self, levels: Levels) -> None:
        """Drive every output."""
        self._plant.bench.write(levels)


class Station:
    """A whole station. Use as a context manager; `run` ticks until the event is set."""

    def __init__(
        self,
        settings: Settings,
        book: Book,
        *,
        written: Settings,
        journal: Journal,
        clock: Clock,
        bench: Bench,
        wiring: Wiring,
        linked: bool,
        shown: Follower | None = None,
        simulated: bool,
        calibrations: Mapping[str, Calibrated],
    ) -> None:
        """Put the parts together; the bench is closed if that fails.

        Args:
            settings: with the plate's wire as calibrated.
            book: limits and sheet; how sure it is of the plate is worked out here.
            written: the settings as a person wrote them, whose fingerprint is recorded.
            journal: opened, not started; closed with the station.
            clock: time.
            bench: the wires, closed with the station.
            wiring: what the daemon ticks on.
            linked: with a broker.
            shown: takes the snapshots where there is no broker.
            simulated: the wires are; what was found on real ones does not hold for them.
            calibrations: the newest of each channel.

        Raises:
            InputError: the broker's password is missing.
        """
        self._bench, self.journal = bench, journal
        try:
            self.inbox = Inbox()
            self.link: Link | None = None
            if linked:
                self.link = Link(
                    settings.broker,
                    settings.station.id,
                    self.journal,
                    self._ask,
                    lambda: Moment(clock.boot, clock.mono_ms(), clock.wall_ms()),
                )
            follower: Follower = self.link or shown or NoLink()
            self.watchdog = Watchdog(ServiceManager(), self._workers())
            self.daemon = Daemon(
                station=settings.station.id,
                book=book._replace(
                    limits=settings.limits,
                    uncertainty_c=_uncertainty_c(settings, calibrations.get("plate")),
                    wires=written.wires.digest(simulated=simulated),
                ),
                tick_ms=round(settings.station.tick_s * 1000),
                settings_digest=written.digest(),
                trim={"gain": settings.wires.plate.gain, "offset_c": settings.wires.plate.offset_c},
                calibrations_due=tuple(body.due for body in calibrations.values() if body.due is not None),
                clock=clock,
                wiring=wiring,
                journal=self.journal,
                inbox=self.inbox,
                link=follower,
                after_tick=self.watchdog.tick,
            )
            port = settings.station.metrics_port
            self._figures = MetricsServer(port, self._exposition) if port else None
        except BaseException:
            bench.close()
            journal.stop()
            raise

    def _exposition(self) -> str:
        """The station's figures now; called from whatever thread serves them."""
        daemon, link = self.daemon, self.link
        up = None if link is None else link.up
        return exposition(
            Seen(daemon.tally, daemon.ticks, daemon.missed, daemon.shown, self.journal.lost, up, board_c())
        )

    def _workers(self) -> dict[str, Worker]:
        """The threads without which this station is no station."""
        journal, link, bench = self.journal, self.link, self._bench
        return {
            "journal": Worker(lambda: journal.beat_s, JOURNAL_TURN_S),
            "link": Worker(lambda: None if link is None else link.beat_s, LINK_TURN_S),
            "extraction sampler": Worker(lambda: bench.sampler_beat_s, SAMPLER_TURN_S),
        }

    def _ask(self, request: Asked, deliver: Callable[[Answer], None] | None) -> bool:
        return self.inbox.put(Asking(request, deliver))

    def __enter__(self) -> "Station":
        """Start every part; what was started is stopped again if one of them fails."""
        with ExitStack() as parts:
            parts.callback(sys.setswitchinterval, sys.getswitchinterval())
            sys.setswitchinterval(SWITCH_S)
            if self._figures is not None:
                parts.enter_context(self._figures)
            parts.callback(self._end)
            parts.push(self._finish)
            self.journal.start()
            self._bench.start()
            if self.link is not None:
                self.link.start()
            self._parts = parts.pop_all()
        return self

    def run(self, stop: threading.Event) -> None:
        """Tick until ``stop`` is set; the outputs, read back from their pins, are told at the end."""
        self.daemon.run(stop)
        self.watchdog.stopping()
        on = [name for name, level in asdict(self._bench.levels()).items() if level]
        LOG.info("outputs read back at the end: %s on", ", ".join(on) or "none")

    def __exit__(self, kind: type[BaseException] | None, *details: Any) -> None:
        """Outputs first, then the journal, then the network; each is tried whatever the one before did.

        Raises:
            FailureError: not everything could be written.
        """
        self._parts.__exit__(kind, *details)

    def _finish(self, kind: type[BaseException] | None, *_: object) -> None:
        """Outputs safe, the end told and on disk."""
        try:
            self._bench.close()
        finally:
            self.daemon.finish("stopped" if kind is None else "failed")
            self.journal.flush(FLUSH_S)

    def _end(self) -> None:
        """The link's farewell, then the journal's last words (the link's cursor among them)."""
        try:
            if self.link is not None:
                self.link.stop()
        finally:
            whole = self.journal.stop()
        if not whole:
            raise FailureError(f"{self.journal.path}: not everything could be written; see the log.")


def open_journal(settings: Settings) -> Journal:
    """The station's journal, not started.

    Raises:
        InputError: the file is no database of a station, or one of a newer program.
        FailureError: it cannot be opened.
    """
    return Journal(Path(settings.journal.path), settings.journal.batch_s)


def calibrated(settings: Settings) -> tuple[Settings, dict[str, Calibrated]]:
    """The settings with what was last calibrated, and the newest calibration of each channel.

    The plate's gain and offset, and the extractor's learned band where the settings name none. The thresholds
    that prove the extractor stay what the settings say: what locks the iron is written down by a person.
    """
    wire, calibrations = on_record(Path(settings.journal.path), settings.wires.plate)
    limits, learned = settings.limits, calibrations.get("extraction")
    if learned is not None and limits.extraction.high_a == 0:
        low_a, high_a = float(learned.values["low_a"]), float(learned.values["high_a"])
        limits = replace(limits, extraction=replace(limits.extraction, low_a=low_a, high_a=high_a))
    wires = replace(settings.wires, plate=wire)
    return replace(settings, wires=wires, limits=limits), calibrations


def _uncertainty_c(settings: Settings, calibration: Calibrated | None) -> float:
    """How sure the plate reading is where it works, expanded with k = 2, °C; one point is no calibration."""
    calibrated = calibration is not None and len(calibration.points) >= 2
    wire = settings.wires.plate
    budget = plate_budget(wire.thermocouple, wire.wire_class, calibrated=calibrated, plate_c=WORKING_C)
    return budget.expanded


def real_station(settings: Settings, book: Book) -> Station:
    """A station on this Pi's wires.

    Raises:
        FailureError: the wires or the journal cannot be had; says what to do.
    """
    written = settings
    journal = open_journal(written)  # first: a damaged one is set aside, and holds no calibration then
    settings, calibrations = calibrated(written) if journal.readable else (written, {})
    try:
        bench = real_bench(settings.wires, settings.limits.plate)
    except BaseException:
        journal.stop()
        raise
    named = settings.station.sync_file
    sync_file = SYNCHRONISED if named is None else Path(named)
    boot = boot_name(journal.path)  # the journal is open: one that was damaged has been exchanged
    clock = RealClock(boot, trusted=settings.station.clock == "trusted", sync_file=sync_file)
    return Station(
        settings,
        book,
        written=written,
        journal=journal,
        clock=clock,
        bench=bench,
        wiring=bench,
        linked=True,
        simulated=False,
        calibrations=calibrations,
    )


def simulated_station(
    settings: Settings,
    book: Book,
    *,
    speed: float = 1.0,
    seed: int = 0,
    linked: bool = True,
    shown: Follower | None = None,
) -> tuple[Station, SimulatedBench, Clock]:
    """A station on simulated wires, and the plant behind them.

    Args:
        settings: as for the real station.
        book: limits and sheet.
        speed: how many times as fast as real time; at 1 the drivers run exactly as on a Pi, threads included.
        seed: of the simulation's noise.
        linked: with a broker.
        shown: takes the snapshots where there is no broker.
    """
    named = settings.station.sync_file
    sync_file = None if named is None else Path(named)
    clock: Clock = FreshClock(sync_file) if speed == 1.0 else SteppedClock(speed)
    written = settings
    journal = open_journal(written)
    settings, calibrations = calibrated(written) if journal.readable else (written, {})
    plant = SimulatedBench(
        settings.wires, seed, clock=clock.mono_s if speed == 1.0 else None, limits=settings.limits.plate
    )
    wiring = SimulatedWiring(plant, clock)
    station = Station(
        settings,
        book,
        written=written,
        journal=journal,
        clock=clock,
        bench=plant.bench,
        wiring=wiring,
        linked=linked,
        shown=shown,
        simulated=True,
        calibrations=calibrations,
    )
    return station, plant, clock
