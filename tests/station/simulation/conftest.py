"""A simulated bench, closed at the end."""

from collections.abc import Iterator

import pytest

from station.simulation.bench import SimulatedBench


@pytest.fixture
def sim() -> Iterator[SimulatedBench]:
    """A bench of seed 1 whose time is told."""
    made = SimulatedBench(seed=1)
    made.bench.start()
    yield made
    made.bench.close()
