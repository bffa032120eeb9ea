"""What the paced extraction sampler costs at a thousand samples a second, in real time."""

import threading
import time

import pytest
from live import wait_until

from station.settings import ExtractionWire, Wires
from station.simulation.bench import SimulatedBench

pytestmark = pytest.mark.benchmark
SECONDS = 3.0


def test_cost_of_the_paced_sampler(capsys: pytest.CaptureFixture[str]) -> None:
    """Share of one core: of the sampling thread, and of the process, in which only it works; not judged."""
    wires = Wires(extraction=ExtractionWire(mains_hz=50, samples_per_cycle=20))
    plant = SimulatedBench(wires, 1, clock=time.monotonic)
    plant.fan.start()
    with plant.bench:
        sampler = next(thread for thread in threading.enumerate() if thread.name == "extraction-sampler")
        assert sampler.ident is not None
        thread_clock = time.pthread_getcpuclockid(sampler.ident)
        time.sleep(0.3)
        # The noise table moves on by one a sample and is longer than the run: it counts the samples.
        first = plant._codes._next
        start_s, cpu_s, thread_s = time.monotonic(), time.process_time(), time.clock_gettime(thread_clock)
        time.sleep(SECONDS)
        took_s = time.monotonic() - start_s
        process = (time.process_time() - cpu_s) / took_s
        thread = (time.clock_gettime(thread_clock) - thread_s) / took_s
        rate = (plant._codes._next - first) % len(plant._codes._noise) / took_s
        # Where the machine stood still just now there is no whole window: the next one has the current.
        current_a = wait_until(lambda: plant.bench.read()[1].extraction_a, what="a window of samples")
    assert current_a == pytest.approx(0.42, abs=0.05)
    with capsys.disabled():
        print(f"\nsampler at {rate:.0f} S/s: {thread:.1%} of one core, whole process {process:.1%}")
