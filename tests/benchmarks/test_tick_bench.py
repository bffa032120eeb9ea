"""What a tick costs: reading to outputs, on simulated wires with the real drivers."""

import statistics
import time

import pytest

from shared.requests import parse_text
from shared.sheet import default_sheet
from shared.timeline import Moment
from station.bootstrap import SimulatedWiring
from station.clock import FreshClock
from station.rules.decide import decide
from station.rules.state import State
from station.rules.tick import Book
from station.settings import Settings
from station.simulation.bench import SimulatedBench

pytestmark = pytest.mark.benchmark
TICKS = 3000


class StillClock(FreshClock):
    """A clock that goes on by a tick when told."""

    def __init__(self) -> None:
        super().__init__()
        self.at_ms = 0

    def mono_s(self) -> float:
        """Seconds."""
        return self.at_ms / 1000


def test_cost_of_a_tick_from_reading_to_outputs(capsys):
    """Median microseconds of reading, deciding and driving, and of deciding alone; printed, not judged."""
    clock, settings = StillClock(), Settings()
    plant = SimulatedBench(settings.wires, 1, clock=time.monotonic)
    wiring, book, state = SimulatedWiring(plant, clock), Book(settings.limits, default_sheet()), State()
    asked = {20: "book-in unit=U-1 model=m", 80: "start step=frame-off"}
    whole_us, decide_us = [], []
    with plant.bench:
        plant.fan.start()
        for number in range(TICKS):
            clock.at_ms += 100
            requests = [parse_text(asked[number])] if number in asked else []
            start = time.perf_counter()
            plate, extraction, out = wiring.read()
            before = time.perf_counter()
            reading = _reading(plate, extraction, out)
            state, decision = decide(book, state, reading, requests, Moment("b", clock.at_ms))
            after = time.perf_counter()
            wiring.write(decision.levels)
            whole_us.append((time.perf_counter() - start) * 1e6)
            decide_us.append((after - before) * 1e6)
    assert decision.levels.heartbeat in (True, False)
    assert state.durable.run is not None
    with capsys.disabled():
        print(
            f"\ntick: reading to outputs {statistics.median(whole_us):.0f} us median, "
            f"{statistics.quantiles(whole_us, n=100)[98]:.0f} us p99; "
            f"decide alone {statistics.median(decide_us):.0f} us median"
        )


def _reading(plate, extraction, out):
    from shared.readings import Reading

    return Reading(plate=plate, extraction=extraction, solvent_out=out)
