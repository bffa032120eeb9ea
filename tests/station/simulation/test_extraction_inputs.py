"""Transformer, transducer and current switch on the simulated bench, through the real drivers and rules."""

import pytest

from shared.readings import ExtractionQuality
from station.rules.extraction import watch_extraction
from station.rules.limits import ExtractionLimits
from station.rules.state import ExtractionWatch
from station.settings import ExtractionWire, Wires
from station.simulation.bench import SimulatedBench
from station.simulation.wires import Fault

KINDS = {
    "ct-waveform": ExtractionWire(),
    "dc-level": ExtractionWire(kind="dc-level", volts_per_ampere=2.0, zero_v=0.5),
    "contact": ExtractionWire(kind="contact"),
}


def proof_over(plant, watch, start_s, seconds):
    """The proof after so many seconds of ticks at 10 Hz on the plant's wires."""
    for tick in range(1, round(seconds * 10) + 1):
        at_s = start_s + tick / 10
        plant.advance_to(at_s)
        reading = plant.bench.read()[1]
        watch = watch_extraction(watch, reading, round(at_s * 1000), 100, ExtractionLimits()).watch
    return watch


@pytest.mark.parametrize("kind", list(KINDS))
def test_every_kind_of_input_proves_a_running_fan_and_loses_a_dead_one(kind):
    """At rest, running, dead: transformer, transducer and switch, through the real drivers and rules."""
    plant = SimulatedBench(Wires(extraction=KINDS[kind]), 4)
    with plant.bench:
        watch = proof_over(plant, ExtractionWatch(), 0, 7)
        assert not watch.proven
        plant.fan.start()
        watch = proof_over(plant, watch, 7, 6)
        assert watch.proven
        plant.fan.stop()
        watch = proof_over(plant, watch, 13, 1)
        assert not watch.proven


@pytest.mark.parametrize("kind", list(KINDS))
def test_a_broken_wire_never_looks_like_a_running_fan(kind):
    """Unplugged while the fan runs: no current, no reading, or an open switch, but no proof."""
    plant = SimulatedBench(Wires(extraction=KINDS[kind]), 4)
    plant.fan.start()
    plant.fault(Fault.EXTRACTION_UNPLUGGED)
    with plant.bench:
        assert not proof_over(plant, ExtractionWatch(), 0, 8).proven


def test_a_transducer_with_a_live_zero_says_when_its_wire_is_broken():
    """0.5 V with the motor off: no voltage at all is no fan at rest."""
    plant = SimulatedBench(Wires(extraction=KINDS["dc-level"]), 4)
    with plant.bench:
        plant.advance_to(1.0)
        assert plant.bench.read()[1].extraction_a == pytest.approx(0.0, abs=0.01)
        plant.fault(Fault.EXTRACTION_UNPLUGGED)
        plant.advance_to(2.0)
        assert plant.bench.read()[1].quality is ExtractionQuality.UNREADABLE


def test_a_transducer_reads_the_fans_current():
    """0.42 A through 2 V/A, ripple and noise included."""
    plant = SimulatedBench(Wires(extraction=KINDS["dc-level"]), 4)
    plant.fan.start()
    with plant.bench:
        proof_over(plant, ExtractionWatch(), 0, 4)
        assert plant.bench.read()[1].extraction_a == pytest.approx(0.42, abs=0.02)


NO_ZERO = ExtractionWire(kind="dc-level", volts_per_ampere=2.0)
LOSSES = [
    pytest.param(KINDS["ct-waveform"], Fault.EXTRACTION_BUS, "unreadable", id="transformer, bus"),
    pytest.param(KINDS["ct-waveform"], Fault.EXTRACTION_DEAD, "unreadable", id="transformer, dead"),
    pytest.param(
        KINDS["ct-waveform"], Fault.EXTRACTION_UNPLUGGED, "low-current", id="transformer, unplugged"
    ),
    pytest.param(KINDS["dc-level"], Fault.EXTRACTION_BUS, "unreadable", id="transducer, bus"),
    pytest.param(KINDS["dc-level"], Fault.EXTRACTION_DEAD, "unreadable", id="transducer, dead"),
    pytest.param(KINDS["dc-level"], Fault.EXTRACTION_UNPLUGGED, "unreadable", id="transducer, unplugged"),
    pytest.param(NO_ZERO, Fault.EXTRACTION_DEAD, "low-current", id="transducer without a zero, dead"),
    pytest.param(NO_ZERO, Fault.EXTRACTION_UNPLUGGED, "low-current", id="the same, unplugged"),
    pytest.param(KINDS["contact"], Fault.EXTRACTION_BUS, "unreadable", id="switch, pin unreadable"),
    pytest.param(KINDS["contact"], Fault.EXTRACTION_DEAD, "low-current", id="switch, dead"),
    pytest.param(KINDS["contact"], Fault.EXTRACTION_UNPLUGGED, "low-current", id="switch, unplugged"),
]


@pytest.mark.parametrize(("wire", "fault", "why"), LOSSES)
def test_every_fault_of_every_input_takes_the_proof_away_within_a_second(wire, fault, why):
    """Contract: the proof goes 0.5 s after the first bad reading, and comes back when mended."""
    plant = SimulatedBench(Wires(extraction=wire), 4)
    plant.fan.start()
    with plant.bench:
        watch = proof_over(plant, ExtractionWatch(), 0, 7)
        assert watch.proven
        plant.fault(fault)
        lost = []
        for tick in range(71, 81):
            plant.advance_to(tick / 10)
            turn = watch_extraction(watch, plant.bench.read()[1], tick * 100, 100, ExtractionLimits())
            watch = turn.watch
            lost += [(tick, turn.lost)] if turn.lost else []
        assert lost == [(76, why)]
        plant.heal(fault)
        assert proof_over(plant, watch, 8, 6).proven


def test_a_fault_of_a_current_switch_is_seen_without_waiting_for_the_plant():
    """Own rule: a fault acts on the wire when it befalls it, not with the plant's next step."""
    plant = SimulatedBench(Wires(extraction=KINDS["contact"]), 4)
    plant.fan.start()
    with plant.bench:
        plant.advance_to(1.0)
        assert plant.bench.read()[1].closed is True
        plant.fault(Fault.EXTRACTION_UNPLUGGED)
        assert plant.bench.read()[1].closed is False
        plant.heal()
        assert plant.bench.read()[1].closed is True


class Clock:
    """A clock that stands still."""

    def __call__(self) -> float:
        """Seconds."""
        return 5000.0


@pytest.mark.parametrize("kind", list(KINDS))
def test_a_bench_in_real_time_reads_every_kind(kind):
    """Own rule: on a clock of its own the plant moves the switch too, at the latest with the second look."""
    clock = Clock()
    plant = SimulatedBench(Wires(extraction=KINDS[kind]), 4, clock=clock)
    plant.fan.start()
    plant.bench.read()
    found = plant.bench.read()[1]
    plant.bench.close()
    if kind == "contact":
        assert found.closed is True
    else:  # the sampling thread was not started
        assert found.quality is ExtractionQuality.STALE
