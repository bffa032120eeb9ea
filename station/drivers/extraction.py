"""The extractor's motor current through one channel of an MCP3008, over windows of whole mains cycles.

On a live station a thread of its own keeps sampling, because a window takes as long as a tick, and judges the
last window after every cycle: a fan that dies shows a window later, not up to two. The tick only looks at the
latest result, and a result that is too old is no result. Faster than real time, a window is sampled when it
is asked for.
"""

import logging
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, MutableSequence, Sequence
from functools import partial
from typing import Protocol

from gpiozero import MCP3008, DigitalInputDevice, Factory

from shared.readings import ExtractionQuality, ExtractionReading
from station.drivers.bus import bus_errors
from station.drivers.pacing import Pacer
from station.measurement.rms import CODES, extraction_reading, level_reading
from station.settings import ExtractionWire, Pins

STALE_AFTER_S = 0.3
"""Age at which the latest window no longer stands for now; longer where three windows take longer."""

STOP_LIMIT_S = 1.0

UNREADABLE = ExtractionReading(quality=ExtractionQuality.UNREADABLE)
STALE = ExtractionReading(quality=ExtractionQuality.STALE)

_log = logging.getLogger(__name__)


Judge = Callable[[Sequence[int], Sequence[float]], ExtractionReading]


def _judge_of(wire: ExtractionWire) -> Judge:
    """What makes a current of a window's codes and times, by what is on the channel."""
    volts_per_code = wire.supply_v / CODES
    if wire.kind == "dc-level":
        return partial(
            level_reading,
            cycles=wire.cycles,
            mains_hz=wire.mains_hz,
            volts_per_code=volts_per_code,
            volts_per_ampere=wire.volts_per_ampere,
            zero_v=wire.zero_v,
        )
    return partial(
        extraction_reading,
        cycles=wire.cycles,
        mains_hz=wire.mains_hz,
        volts_per_code=volts_per_code,
        volts_per_ampere=wire.volts_per_ampere,
        floor_a=wire.floor_a,
    )


class ExtractionSensor:
    """A transformer or a transducer on one channel. ``window_s`` is the length of a window in seconds."""

    def __init__(self, adc: MCP3008, wire: ExtractionWire, pacer: Pacer) -> None:
        """Read ``adc`` at the pace of ``pacer``; scale, cycles and floor come from ``wire``."""
        self._adc = adc
        self._pacer = pacer
        step_s = 1.0 / (wire.mains_hz * wire.samples_per_cycle)
        self._offsets_s = tuple(n * step_s for n in range(wire.cycles * wire.samples_per_cycle))
        self._cycle_offsets_s = self._offsets_s[: wire.samples_per_cycle]
        self._cycle_s = 1.0 / wire.mains_hz
        self._judge = _judge_of(wire)
        self.window_s = wire.cycles / wire.mains_hz

    def sample_window(self, start_s: float | None = None) -> ExtractionReading:
        """Sample one window; never raises for what the bus does.

        Args:
            start_s: by the pacer's clock; None begins now, and takes as long as the window's cycles.
        """
        codes: list[int] = []
        times_s: list[float] = []
        begin_s = self._pacer.now_s() if start_s is None else start_s
        if not self._take(begin_s, self._offsets_s, codes, times_s):
            return UNREADABLE
        return self._judge(codes, times_s)

    def windows(self) -> Iterator[ExtractionReading]:
        """The last window, judged after every cycle, without end; the first when it is whole.

        Where the bus fails, or a cycle begins more than a cycle late, a whole window is taken anew.
        """
        codes: deque[int] = deque(maxlen=len(self._offsets_s))
        times_s: deque[float] = deque(maxlen=len(self._offsets_s))
        due_s: float | None = None
        while True:
            now_s = self._pacer.now_s()
            if due_s is None or now_s - due_s > self._cycle_s:
                codes.clear()
                times_s.clear()
                taken, due_s = self._take(now_s, self._offsets_s, codes, times_s), now_s + self.window_s
            else:
                taken = self._take(due_s, self._cycle_offsets_s, codes, times_s)
                due_s += self._cycle_s
            if not taken:
                due_s = None
                yield UNREADABLE
            else:
                yield self._judge(list(codes), list(times_s))

    def _take(
        self,
        start_s: float,
        offsets_s: Sequence[float],
        codes: MutableSequence[int],
        times_s: MutableSequence[float],
    ) -> bool:
        """Samples at these offsets, each with its time; False where the bus fails."""
        pacer, adc = self._pacer, self._adc
        try:
            for offset_s in offsets_s:
                pacer.wait_until_s(start_s + offset_s)
                times_s.append(pacer.now_s())
                codes.append(adc.raw_value)
        except bus_errors():
            return False
        return True

    def now_s(self) -> float:
        """The time by which the windows are taken, seconds."""
        return self._pacer.now_s()


class Sampler(Protocol):
    """Whoever has the latest window."""

    @property
    def alive(self) -> bool:
        """Whether windows are still being taken."""

    @property
    def beat_s(self) -> float | None:
        """When the thread last took a window, by time.monotonic(); None before, or without a thread."""

    def start(self) -> None:
        """Begin taking windows."""

    def stop(self) -> None:
        """Take no more windows."""

    def latest(self, now_s: float) -> ExtractionReading:
        """The latest window as it stands at ``now_s``."""


class ExtractionSampler:
    """A thread that samples cycle after cycle, and has the latest window.

    Should the thread die of something unforeseen, the interpreter's hook prints it, :attr:`alive` turns False
    and :meth:`latest` goes stale, which the rules take for "not proven".
    """

    def __init__(self, sensor: ExtractionSensor) -> None:
        """Sample ``sensor``, once started."""
        self._sensor = sensor
        self._stale_after_s = max(STALE_AFTER_S, 3 * sensor.window_s)
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="extraction-sampler", daemon=True)
        # Time and reading in one tuple: replaced whole, so a reader never sees a pair that was torn.
        self._latest: tuple[float, ExtractionReading] | None = None
        self.beat_s: float | None = None

    @property
    def alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread.is_alive()

    def start(self) -> None:
        """Start the thread; once only."""
        self.beat_s = time.monotonic()
        self._thread.start()

    def stop(self) -> None:
        """Ask the thread to end after its cycle and wait for it, at most :data:`STOP_LIMIT_S`."""
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join(STOP_LIMIT_S)
        if self._thread.is_alive():
            _log.warning("The extraction sampler did not stop within %s s.", STOP_LIMIT_S)

    def latest(self, now_s: float) -> ExtractionReading:
        """The latest window; stale when none ended in the last :data:`STALE_AFTER_S` seconds.

        Args:
            now_s: by the clock of the sensor's pacer.
        """
        latest = self._latest
        if latest is None or now_s - latest[0] > self._stale_after_s:
            return STALE
        return latest[1]

    def _run(self) -> None:
        windows = self._sensor.windows()
        while not self._stopping.is_set():
            reading = next(windows)
            self.beat_s = time.monotonic()
            self._latest = (self._sensor.now_s(), reading)
            if reading.quality is ExtractionQuality.UNREADABLE:
                # A dead bus answers at once: without this the thread would spin on it.
                self._stopping.wait(STALE_AFTER_S / 3)


class InlineSampler:
    """Samples a window whenever it is asked; for time that is not real."""

    alive = True
    beat_s: float | None = None

    def __init__(self, sensor: ExtractionSensor) -> None:
        """Sample ``sensor`` on demand."""
        self._sensor = sensor

    def start(self) -> None:
        """Nothing to start."""

    def stop(self) -> None:
        """Nothing to stop."""

    def latest(self, now_s: float) -> ExtractionReading:
        """A window that ends at ``now_s``; only a pacer whose time is not real can go back for it."""
        return self._sensor.sample_window(now_s - self._sensor.window_s)


class ContactSampler:
    """A current switch, closed to ground while the motor runs: a broken wire reads as a motor at rest."""

    alive = True
    beat_s: float | None = None

    def __init__(self, pins: Pins, pin_factory: Factory) -> None:
        """Claim the pin."""
        self._switch = DigitalInputDevice(pins.extraction_contact, pull_up=True, pin_factory=pin_factory)

    def start(self) -> None:
        """Nothing to start."""

    def stop(self) -> None:
        """Let the pin go."""
        self._switch.close()

    def latest(self, now_s: float) -> ExtractionReading:
        """The switch as it is now."""
        try:
            closed = bool(self._switch.is_active)
        except bus_errors():
            return UNREADABLE
        return ExtractionReading(quality=ExtractionQuality.CONTACT, closed=closed)
