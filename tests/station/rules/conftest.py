"""Benches of plain values for the tests of the rules."""

import pytest
from hand_bench import HandBench


@pytest.fixture
def bench() -> HandBench:
    """A cold bench with default limits and sheet, nothing proven."""
    return HandBench()


@pytest.fixture
def make_bench() -> type[HandBench]:
    """For tests that need several benches, or one with another sheet."""
    return HandBench
