"""The simulated bench seen through the real drivers."""

from typing import Any

import pytest
from gpiozero import MCP3008, SPIBadArgs

from shared.indication import Levels
from shared.readings import ExtractionQuality, PlateQuality
from station.drivers.bench import Bench
from station.measurement.frame import chip_c, cold_junction_c
from station.settings import ExtractionWire, Pins, PlateWire, Wires
from station.simulation.bench import SimulatedBench
from station.simulation.wires import KEPT_STATES, Fault

Seen = list[tuple[Any, ...]]


def live(sim: SimulatedBench, start_s: float, seconds: float) -> Seen:
    """Tick at 10 Hz and keep what the drivers read."""
    seen: Seen = []
    for tick in range(1, round(seconds * 10) + 1):
        sim.advance_to(start_s + tick / 10)
        seen.append(sim.bench.read())
    return seen


def morning(seed: int) -> Seen:
    """A short morning with some of everything."""
    sim = SimulatedBench(seed=seed)
    sim.plate.setpoint_c = 60.0
    sim.fan.start()
    seen = live(sim, 0.0, 20.0)
    sim.fault(Fault.PLATE_NOISE)
    sim.fan.clogged = True
    sim.bottle_out = True
    seen += live(sim, 20.0, 5.0)
    sim.bench.close()
    return seen


def test_a_fresh_bench_reads_cold_quiet_and_tidy(sim: SimulatedBench) -> None:
    """At first the plate is at room temperature, the extractor off, the bottle in its cradle."""
    plate, extraction, solvent_out = sim.bench.read()
    assert plate.plate_c == pytest.approx(22.0, abs=0.6)
    assert plate.cold_junction_c == pytest.approx(24.0, abs=0.2)
    assert extraction.extraction_a == pytest.approx(0.0, abs=0.01)
    assert solvent_out is False
    assert isinstance(sim.bench, Bench)
    assert not sim.realtime


def test_the_drivers_read_what_the_plant_does(sim: SimulatedBench) -> None:
    """Through frame, correction and RMS, the numbers are the plant's: within a chip step, within 5 %."""
    sim.plate.setpoint_c = 100.0
    sim.fan.start()
    for plate, extraction, _ in live(sim, 0.0, 120.0)[1000:]:
        assert plate.plate_c == pytest.approx(sim.plate.plate_c, abs=1.2)
        assert extraction.extraction_a == pytest.approx(0.42, rel=0.06)
    assert sim.bench.read()[0].plate_c == pytest.approx(sim.plate.plate_c, abs=0.6)


def test_the_start_of_the_fan_is_seen(sim: SimulatedBench) -> None:
    """The first windows show the surge falling, the last the steady current."""
    live(sim, 0.0, 1.0)
    sim.fan.start()
    currents = [extraction.extraction_a for _, extraction, _ in live(sim, 1.0, 3.0)]
    assert currents[0] > 1.5
    assert currents[0] > currents[2] > currents[5] > currents[-1]
    assert currents[-1] == pytest.approx(0.42, rel=0.06)


def test_the_same_seed_gives_the_same_words() -> None:
    """Two runs of one seed agree in every word and current; another seed differs."""
    assert morning(5) == morning(5)
    assert morning(5) != morning(6)


def test_a_quiet_plate_still_wavers(sim: SimulatedBench) -> None:
    """Neither field stands still for ten seconds, so a frozen chip can be told from a quiet plate."""
    words = [plate.word for plate, _, _ in live(sim, 0.0, 60.0)]
    for field in (chip_c, cold_junction_c):
        steps = [field(word) for word in words]
        assert min(len(set(steps[n : n + 100])) for n in range(500)) > 1


@pytest.mark.parametrize(
    ("fault", "quality"),
    [
        (Fault.PLATE_OPEN, PlateQuality.OPEN),
        (Fault.PLATE_SHORT_TO_GROUND, PlateQuality.SHORT_TO_GROUND),
        (Fault.PLATE_SHORT_TO_SUPPLY, PlateQuality.SHORT_TO_SUPPLY),
        (Fault.PLATE_DEAD, PlateQuality.SILENT),
        (Fault.PLATE_BUS, PlateQuality.BUS_ERROR),
    ],
)
def test_plate_faults_reach_the_reading_and_heal(
    sim: SimulatedBench, fault: Fault, quality: PlateQuality
) -> None:
    """A fault of the wire reads as that fault, without a number, until it is mended."""
    assert sim.bench.read()[0].quality is PlateQuality.GOOD
    sim.fault(fault)
    assert {plate.quality for plate, _, _ in live(sim, 0.0, 1.0)} == {quality}
    sim.heal(fault)
    assert sim.bench.read()[0].quality is PlateQuality.GOOD


def test_a_frozen_chip_repeats_its_word(sim: SimulatedBench) -> None:
    """Frozen, the same word comes for ever although the plate heats."""
    live(sim, 0.0, 1.0)
    before = sim.bench.read()[0].word
    sim.fault("plate-frozen")
    sim.plate.setpoint_c = 100.0
    assert {plate.word for plate, _, _ in live(sim, 1.0, 30.0)} == {before}


def test_noise_on_the_line_is_hardly_ever_believed(sim: SimulatedBench) -> None:
    """Random words are nearly always refused for what they are."""
    sim.fault(Fault.PLATE_NOISE)
    good = [plate for plate, _, _ in live(sim, 0.0, 100.0) if plate.quality is PlateQuality.GOOD]
    assert len(good) < 20


@pytest.mark.parametrize(
    ("fault", "quality"),
    [
        (Fault.EXTRACTION_BUS, ExtractionQuality.UNREADABLE),
        (Fault.EXTRACTION_DEAD, ExtractionQuality.CLIPPED),
        (Fault.EXTRACTION_UNPLUGGED, ExtractionQuality.GOOD),
    ],
)
def test_extraction_faults_never_read_as_a_running_fan(
    sim: SimulatedBench, fault: Fault, quality: ExtractionQuality
) -> None:
    """A dead converter gives no number and a pulled plug no current, though the fan runs on."""
    sim.fan.start()
    live(sim, 0.0, 3.0)
    sim.fault(fault)
    for _, extraction, _ in live(sim, 3.0, 1.0):
        assert extraction.quality is quality
        assert (extraction.extraction_a or 0.0) < 0.02
    sim.heal()
    assert live(sim, 4.0, 1.0)[-1][1].extraction_a == pytest.approx(0.42, rel=0.06)


def test_a_fan_that_dies_is_seen_in_the_next_window(sim: SimulatedBench) -> None:
    """Current gone, the very next tick reads none."""
    sim.fan.start()
    live(sim, 0.0, 3.0)
    sim.fan.stop()
    assert live(sim, 3.0, 0.1)[0][1].extraction_a == pytest.approx(0.0, abs=0.02)


def test_bottle_and_broken_cradle_wire(sim: SimulatedBench) -> None:
    """Lifting the bottle reads out; so does a broken wire, whatever the bottle does."""
    sim.bottle_out = True
    assert (sim.bottle_out, sim.bench.read()[2]) == (True, True)
    sim.bottle_out = False
    assert sim.bench.read()[2] is False
    sim.fault(Fault.CRADLE_WIRE)
    assert sim.bench.read()[2] is True
    sim.heal(Fault.CRADLE_WIRE)
    assert sim.bench.read()[2] is False


def test_presses_of_the_button_arrive(sim: SimulatedBench) -> None:
    """Two presses a second apart are two; two in the same instant are one and its bounce."""
    for time_s in (1.0, 2.0):
        sim.advance_to(time_s)
        sim.bench.read()
        sim.press_acknowledge()
    sim.press_acknowledge()
    assert sim.bench.presses() == 2


def test_an_unknown_fault_is_refused(sim: SimulatedBench) -> None:
    """A fault the bench cannot have is refused by name."""
    with pytest.raises(ValueError, match="plate-melted"):
        sim.fault("plate-melted")


def test_a_bench_of_other_settings() -> None:
    """Pins, channel, mains frequency and window follow the settings, as on the real bench."""
    wires = Wires(
        extraction=ExtractionWire(channel=5, mains_hz=60, cycles=6, samples_per_cycle=40, supply_v=5.0),
        pins=Pins(cradle=22, acknowledge=23, permit=24),
        permit_active_high=False,
    )
    sim = SimulatedBench(wires, seed=2)
    sim.fan.start()
    assert live(sim, 0.0, 3.0)[-1][1].extraction_a == pytest.approx(0.42, rel=0.06)
    sim.bench.write(Levels(permit=True))
    assert sim.bench.levels() == Levels(permit=True)
    sim.bench.close()


def test_nothing_answers_on_another_chip_select(sim: SimulatedBench) -> None:
    """Asking for a chip that is not there is refused rather than answered by the one that is."""
    with pytest.raises(SPIBadArgs):
        MCP3008(channel=0, device=0, pin_factory=sim._pins)


def test_a_long_run_does_not_fill_memory(sim: SimulatedBench) -> None:
    """A heartbeat of thousands of ticks leaves only the latest states of its pin behind."""
    for tick in range(5000):
        sim.bench.write(Levels(heartbeat=tick % 2 == 0))
    assert len(sim._pins.pin(Pins().heartbeat).states) <= 2 * KEPT_STATES + 1


class Clock:
    """A clock that is set by hand."""

    time_s = 5000.0

    def __call__(self) -> float:
        """Seconds."""
        return self.time_s


def test_with_a_clock_the_plant_follows_it_by_itself() -> None:
    """A bench in real time needs no telling: the next frame is that of the clock's time."""
    clock = Clock()
    sim = SimulatedBench(seed=3, clock=clock)
    assert sim.realtime
    sim.plate.setpoint_c = 100.0
    assert sim.bench.read()[0].plate_c == pytest.approx(22.0, abs=0.6)
    clock.time_s += 300.0
    plate, extraction, _ = sim.bench.read()
    assert plate.plate_c == pytest.approx(100.0, abs=1.2)
    # The sampling thread was not started, so there is no current to believe.
    assert extraction.quality is ExtractionQuality.STALE
    sim.bench.close()


@pytest.mark.parametrize("letter", ["K", "J", "N", "T"])
def test_plate_reads_right_with_every_thermocouple(letter):
    """The chip of each letter bends its own way; the station straightens it by the same letter."""
    plant = SimulatedBench(Wires(plate=PlateWire(thermocouple=letter)), 1)
    with plant.bench:
        plant.plate.plate_c = 100.0
        seen = [plant.bench.read()[0].plate_c for _ in range(50)]
    assert sum(seen) / len(seen) == pytest.approx(100.0, abs=0.2)
