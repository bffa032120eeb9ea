"""Taking samples for a calibration: the real drivers, without trim and floor, on real or simulated wires."""

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Protocol

from msgspec.structs import replace

from shared.problems import FailureError
from station.drivers.bench import Bench, real_bench
from station.settings import Settings, Wires
from station.simulation.bench import SimulatedBench

SAMPLES_PER_S = 10
SPIN_UP_S = 5.0


class Probe(Protocol):
    """Whoever brings samples."""

    def plate_c(self, seconds: float, reference_c: float) -> list[float]:
        """Corrected, untrimmed plate temperatures; ``reference_c`` is where the thermocouple is to be."""

    def extraction_a(self, seconds: float, *, running: bool) -> list[float]:
        """Currents of whole windows with nothing taken off; ``running`` is how the fan is said to be."""


class WireProbe:
    """Samples of this Pi's wires, in real time."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench

    def plate_c(self, seconds: float, reference_c: float) -> list[float]:
        """Plate temperatures at ten a second."""
        return self._sample(seconds, lambda: self._bench.read()[0].plate_c, "plate")

    def extraction_a(self, seconds: float, *, running: bool) -> list[float]:
        """Currents at ten a second; a running fan first gets time to spin up."""
        if running:
            time.sleep(SPIN_UP_S)
        return self._sample(seconds, lambda: self._bench.read()[1].extraction_a, "extraction")

    def _sample(self, seconds: float, read: Callable[[], float | None], what: str) -> list[float]:
        samples = []
        for _ in range(round(seconds * SAMPLES_PER_S)):
            time.sleep(1 / SAMPLES_PER_S)
            value = read()
            if value is not None:
                samples.append(value)
        if not samples:
            raise FailureError(f"The {what} gave no valid reading in {seconds:g} s. Run benchward check.")
        return samples


class SimulatedProbe:
    """Samples of a simulated bench whose thermocouple is a little off: there is something to find."""

    GAIN, OFFSET_C = 0.992, 0.6

    def __init__(self, plant: SimulatedBench) -> None:
        self._plant, self._now_s = plant, 0.0

    def plate_c(self, seconds: float, reference_c: float) -> list[float]:
        """The plate held where the reference says, as a thermocouple with an error sees it."""
        samples = []
        for _ in range(round(seconds * SAMPLES_PER_S)):
            self._plant.plate.plate_c = self.GAIN * reference_c + self.OFFSET_C
            reading = self._plant.bench.read()[0]
            if reading.plate_c is not None:
                samples.append(reading.plate_c)
        return samples

    def extraction_a(self, seconds: float, *, running: bool) -> list[float]:
        """The fan at rest, or running after it has spun up."""
        if running:
            self._plant.fan.start()
            self._live(SPIN_UP_S)
        else:
            self._plant.fan.stop()
        samples = []
        for _ in range(round(seconds * SAMPLES_PER_S)):
            self._live(1 / SAMPLES_PER_S)
            current_a = self._plant.bench.read()[1].extraction_a
            if current_a is not None:
                samples.append(current_a)
        return samples

    def _live(self, seconds: float) -> None:
        for _ in range(round(seconds * SAMPLES_PER_S)):
            self._now_s += 1 / SAMPLES_PER_S
            self._plant.advance_to(self._now_s)
            self._plant.bench.read()


def _bare(wires: Wires) -> Wires:
    """The wires without what an earlier calibration made of them."""
    plate = replace(wires.plate, gain=1.0, offset_c=0.0)
    return replace(wires, plate=plate, extraction=replace(wires.extraction, floor_a=0.0))


@contextmanager
def probe(settings: Settings, *, simulate: bool) -> Iterator[Probe]:
    """A probe on this Pi's wires, or on simulated ones.

    Raises:
        FailureError: the wires cannot be had (a station that runs holds them).
    """
    wires = _bare(settings.wires)
    if simulate:
        plant = SimulatedBench(wires, seed=3, limits=settings.limits.plate)
        with plant.bench:
            yield SimulatedProbe(plant)
    else:
        with real_bench(wires, settings.limits.plate) as bench:
            yield WireProbe(bench)
