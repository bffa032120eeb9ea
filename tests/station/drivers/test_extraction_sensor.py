"""The extractor's driver: windows by the clock, faults of the bus, and the sampling thread."""

import threading
from math import pi, sin, sqrt
from typing import Any

import pytest
from gpiozero import GPIOZeroError

from shared.readings import ExtractionQuality
from station.drivers.extraction import STALE_AFTER_S, ExtractionSampler, ExtractionSensor, InlineSampler
from station.settings import ExtractionWire

WIRE = ExtractionWire(channel=3, floor_a=0.0, samples_per_cycle=20)
ONE_AMPERE = [
    round(512 + sqrt(2) * 0.165 / 3.3 * 1024 * sin(2 * pi * (n + 0.5) / 20)) for n in range(20)
]  # twenty codes a cycle


def test_a_window_is_whole_cycles_at_the_settings_rate(adc: Any, adc_wire: Any, pacer: Any) -> None:
    """Five 50 Hz cycles of twenty samples are a hundred conversions of channel 3 within 0.1 s."""
    reading = ExtractionSensor(adc, WIRE, pacer).sample_window()
    assert adc_wire.sent == [[1, 0x80 | 3 << 4, 0]] * 100
    assert pacer.time_s == pytest.approx(100.0 + 0.099)
    assert reading.quality is ExtractionQuality.GOOD
    assert reading.extraction_a == pytest.approx(0.0, abs=1e-9)


def test_one_ampere_reads_one_ampere(adc: Any, adc_wire: Any, pacer: Any) -> None:
    """Codes of 1 A through 0.165 V/A read 1 A, to the rounding of the codes."""
    adc_wire.codes = ONE_AMPERE
    assert ExtractionSensor(adc, WIRE, pacer).sample_window().extraction_a == pytest.approx(1.0, abs=0.005)


@pytest.mark.parametrize("code", [0, 1023])
def test_a_line_stuck_at_either_end_is_clipped_not_a_current(
    adc: Any, adc_wire: Any, pacer: Any, code: int
) -> None:
    """A dead converter sends one code only, and that is no current of 0 A."""
    adc_wire.codes = [code]
    assert ExtractionSensor(adc, WIRE, pacer).sample_window().quality is ExtractionQuality.CLIPPED


@pytest.mark.parametrize("error", [OSError("bus"), GPIOZeroError("bus")])
def test_a_failed_bus_is_unreadable(adc: Any, adc_wire: Any, pacer: Any, error: Exception) -> None:
    """An exception of the bus gives no number and does not get out."""
    adc_wire.error = error
    assert ExtractionSensor(adc, WIRE, pacer).sample_window().quality is ExtractionQuality.UNREADABLE


def test_a_mistake_of_the_program_gets_out(adc: Any, adc_wire: Any, pacer: Any) -> None:
    """Only the bus is excused: any other exception is not taken for a fault of the wires."""
    adc_wire.error = ZeroDivisionError()
    with pytest.raises(ZeroDivisionError):
        ExtractionSensor(adc, WIRE, pacer).sample_window()


def test_a_machine_that_stalls_at_the_end_of_a_window_gives_too_few(adc: Any, pacer: Any) -> None:
    """Samples due inside the window but taken after it do not count, and the window says so."""
    pacer.late_s = lambda due_s: 0.03 if due_s > 100.09 else 0.0
    reading = ExtractionSensor(adc, WIRE, pacer).sample_window()
    assert reading.quality is ExtractionQuality.TOO_FEW_SAMPLES


def test_a_machine_a_little_late_now_and_then_still_measures(adc: Any, adc_wire: Any, pacer: Any) -> None:
    """Lateness of a tenth of a millisecond, different at each sample, leaves 1 A within half a per cent."""

    def code_now(words: list[int]) -> list[int]:
        code = round(512 + sqrt(2) * 51.2 * sin(2 * pi * 50 * pacer.time_s))
        return [0, code >> 8, code & 0xFF]

    adc_wire.transfer = code_now
    pacer.late_s = lambda due_s: 0.0001 * (round(due_s * 7919) % 3)
    reading = ExtractionSensor(adc, WIRE, pacer).sample_window()
    assert reading.extraction_a == pytest.approx(1.0, abs=0.005)


def test_an_inline_sampler_gives_the_window_that_ends_now(adc: Any, adc_wire: Any, pacer: Any) -> None:
    """Asked at 107 s, it has sampled from 106.9 s on, once per question."""
    sampler = InlineSampler(ExtractionSensor(adc, WIRE, pacer))
    sampler.start()
    assert sampler.latest(107.0).quality is ExtractionQuality.GOOD
    assert pacer.time_s == pytest.approx(106.999)
    assert len(adc_wire.sent) == 100
    sampler.stop()
    assert sampler.alive


def test_windows_slide_by_a_cycle_and_show_silence_a_window_after_it_began(
    adc: Any, adc_wire: Any, pacer: Any
) -> None:
    """1 A for six cycles, then none: windows hold 5, 5, 4, 3, 2, 1, 0 cycles of it; RMS by hand."""
    adc_wire.codes = ONE_AMPERE * 6 + [512] * 1000
    windows = ExtractionSensor(adc, WIRE, pacer).windows()
    found = [next(windows) for _ in range(7)]
    assert pacer.time_s == pytest.approx(100.0 + 11 * 0.02 - 0.001)
    assert all(reading.quality is ExtractionQuality.GOOD for reading in found)
    roots = [sqrt(cycles / 5) for cycles in (5, 5, 4, 3, 2, 1, 0)]
    assert [reading.extraction_a for reading in found] == pytest.approx(roots, abs=0.005)


def test_after_a_failed_bus_or_a_long_pause_a_window_is_taken_anew(
    adc: Any, adc_wire: Any, pacer: Any
) -> None:
    """Twenty conversions make the next window, a hundred a new one without what was before."""
    adc_wire.codes = ONE_AMPERE
    windows = ExtractionSensor(adc, WIRE, pacer).windows()
    counts = []
    for gap_s, error in ((0, None), (0, None), (0.019, None), (0.03, None), (0, OSError("bus")), (0, None)):
        pacer.time_s += gap_s
        adc_wire.error, before = error, len(adc_wire.sent)
        reading = next(windows)
        counts.append((len(adc_wire.sent) - before, str(reading.quality)))
    assert counts == [
        (100, "good"),
        (20, "good"),
        (20, "good"),
        (100, "good"),
        (0, "unreadable"),
        (100, "good"),
    ]


class GatedPacer:
    """A clock whose windows end only when they are let through: of the first, 100 samples, then 20 each."""

    def __init__(self) -> None:
        """Start at 10 s with the gate shut."""
        self.time_s = 10.0
        self.waits = 0
        self.gate = threading.Semaphore(0)
        self.arrived = threading.Semaphore(0)

    def now_s(self) -> float:
        """Seconds."""
        return self.time_s

    def wait_until_s(self, time_s: float) -> None:
        """Wait at the gate at the start of every window; jump otherwise."""
        if self.waits == 0 or (self.waits >= 100 and self.waits % 20 == 0):
            self.arrived.release()
            assert self.gate.acquire(timeout=10)
        self.waits += 1
        self.time_s = time_s


def test_the_sampling_thread_keeps_the_latest_window_and_its_age(adc: Any) -> None:
    """Nothing is stale; a fresh window stands for 0.3 s after its end and is stale beyond."""
    gated = GatedPacer()
    sampler = ExtractionSampler(ExtractionSensor(adc, WIRE, gated))
    assert not sampler.alive
    sampler.start()
    assert gated.arrived.acquire(timeout=10)  # at the start of the first window
    assert sampler.alive
    assert [t.name for t in threading.enumerate()].count("extraction-sampler") == 1
    assert sampler.latest(10.0).quality is ExtractionQuality.STALE
    gated.gate.release()
    assert gated.arrived.acquire(timeout=10)  # at the start of the second: the first is done
    end_s = gated.time_s
    assert sampler.latest(end_s).quality is ExtractionQuality.GOOD
    assert sampler.latest(end_s + STALE_AFTER_S - 0.001).quality is ExtractionQuality.GOOD
    assert sampler.latest(end_s + STALE_AFTER_S + 0.001).quality is ExtractionQuality.STALE
    sampler._stopping.set()
    gated.gate.release()
    sampler.stop()
    assert not sampler.alive


def test_the_sampling_thread_survives_a_dead_bus(adc: Any, adc_wire: Any, pacer: Any) -> None:
    """A bus that fails makes the latest window unreadable, not the thread dead; stopping ends it."""
    failing = threading.Event()

    def fail(words: list[int]) -> list[int]:
        failing.set()
        raise OSError("bus")

    adc_wire.transfer = fail
    sampler = ExtractionSampler(ExtractionSensor(adc, WIRE, pacer))
    sampler.start()
    assert failing.wait(timeout=10)
    sampler.stop()
    assert sampler.latest(pacer.time_s).quality is ExtractionQuality.UNREADABLE
    assert not sampler.alive


def test_stopping_a_sampler_that_never_ran_is_harmless(adc: Any, pacer: Any) -> None:
    """A bench that is closed before it is started stops its sampler without complaint."""
    sampler = ExtractionSampler(ExtractionSensor(adc, WIRE, pacer))
    sampler.stop()
    assert not sampler.alive
