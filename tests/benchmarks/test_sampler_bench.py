"""What the paced extraction sampler costs at a thousand samples a second, in real time."""

import time

import pytest

from station.settings import ExtractionWire, Wires
from station.simulation.bench import SimulatedBench

pytestmark = pytest.mark.benchmark
SECONDS = 3.0


def test_cost_of_the_paced_sampler(capsys):
    """Share of one core of the whole process while only the sampling thread works; printed, not judged."""
    wires = Wires(extraction=ExtractionWire(mains_hz=50, samples_per_cycle=20))
    plant = SimulatedBench(wires, 1, clock=time.monotonic)
    plant.fan.start()
    with plant.bench:
        time.sleep(0.3)
        start_s, cpu_s = time.monotonic(), time.process_time()
        time.sleep(SECONDS)
        share = (time.process_time() - cpu_s) / (time.monotonic() - start_s)
        current_a = plant.bench.read()[1].extraction_a
    assert current_a == pytest.approx(0.42, abs=0.05)
    with capsys.disabled():
        print(f"\nsampler at 1 kS/s: {share:.1%} of one core")
