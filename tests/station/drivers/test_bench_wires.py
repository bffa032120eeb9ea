"""The whole bench on wires that answer as told."""

import warnings
from typing import Any

import pytest
from gpiozero import GPIOPinInUse, OutputDevice, PinFactoryFallback, PinUnknownPi, SPISoftwareFallback

from shared.indication import SAFE, Levels
from shared.problems import FailureError
from shared.readings import ExtractionQuality, PlateQuality
from station.drivers.bench import Bench, plain_refusals
from station.measurement.frame import encode
from station.rules.limits import PlateLimits
from station.settings import Wires

WIRES = Wires()


def make(factory: Any, spi: Any, pacer: Any, **options: Any) -> Bench:
    """A bench that samples inline."""
    return Bench(WIRES, pin_factory=factory, spi=spi, pacer=pacer, threaded=False, **options)


def test_one_read_asks_every_sensor_once(factory: Any, plate_wire: Any, pacer: Any) -> None:
    """A tick's reading is one frame, one window and one look at the cradle."""
    spi = plate_wire(encode(100.0, 25.0))
    with make(factory, spi, pacer) as bench:
        factory.pin(WIRES.pins.cradle).drive_low()
        plate, extraction, solvent_out = bench.read()
    assert plate.quality is PlateQuality.GOOD
    assert spi.calls.count("read") == 1
    assert extraction.quality is ExtractionQuality.GOOD
    assert solvent_out is False


def test_all_wires_at_fault_at_once_still_make_a_reading(
    factory: Any, adc_wire: Any, plate_wire: Any, pacer: Any
) -> None:
    """With both buses down and the cradle's wire broken, reading gives faults and raises nothing."""
    adc_wire.error = OSError("bus")
    with make(factory, plate_wire(None), pacer) as bench:
        plate, extraction, solvent_out = bench.read()
    assert plate.quality is PlateQuality.BUS_ERROR
    assert extraction.quality is ExtractionQuality.UNREADABLE
    assert solvent_out is True


def test_presses_and_levels_go_through(factory: Any, plate_wire: Any, pacer: Any) -> None:
    """The bench hands on button presses, and levels to the pins and back."""
    with make(factory, plate_wire(0), pacer) as bench:
        factory.pin(WIRES.pins.acknowledge).drive_low()
        assert (bench.presses(), bench.presses()) == (1, 0)
        bench.write(Levels(red=True, permit=True))
        assert bench.levels() == Levels(red=True, permit=True)


def test_limits_reach_the_plate(factory: Any, plate_wire: Any, pacer: Any) -> None:
    """The settings' idea of a believable plate is the bench's."""
    spi = plate_wire(encode(180.0, 25.0))
    with make(factory, spi, pacer, limits=PlateLimits(range_high_c=150.0)) as bench:
        assert bench.read()[0].quality is PlateQuality.OUT_OF_RANGE


def test_an_exception_on_the_way_leaves_the_outputs_safe(factory: Any, plate_wire: Any, pacer: Any) -> None:
    """Whatever ends the use of a bench, the permit is dropped before the pin is let go."""
    permit = factory.pin(WIRES.pins.permit)

    def energise_and_fail() -> None:
        with make(factory, plate_wire(0), pacer) as bench:
            bench.write(Levels(permit=True))
            raise RuntimeError("on the way")

    with pytest.raises(RuntimeError, match="on the way"):
        energise_and_fail()
    assert [s.state for s in permit.states][-2:] == [True, False]
    assert permit.function == "input"


def test_closing_closes_everything_once(factory: Any, plate_wire: Any, pacer: Any) -> None:
    """Bus and pin factory are closed with the bench, and closing twice is harmless."""
    spi = plate_wire(0)
    bench = make(factory, spi, pacer)
    bench.close()
    bench.close()
    assert spi.calls == ["close"]
    assert factory.closings == 1


def test_a_bench_that_cannot_be_built_lets_go_of_what_it_had(
    factory: Any, plate_wire: Any, pacer: Any
) -> None:
    """When the last pin is taken, the bus and the pins claimed before are let go."""
    spi = plate_wire(0)
    with OutputDevice(WIRES.pins.heartbeat, pin_factory=factory), pytest.raises(GPIOPinInUse):
        make(factory, spi, pacer)
    assert spi.calls == ["close"]
    assert factory.pin(WIRES.pins.permit).function == "input"


def test_a_threaded_bench_samples_from_start_to_close(factory: Any, plate_wire: Any, pacer: Any) -> None:
    """The sampling thread lives between start and close; before its first window the current is stale."""
    bench = Bench(WIRES, pin_factory=factory, spi=plate_wire(0), pacer=pacer)
    assert bench.read()[1].quality is ExtractionQuality.STALE
    assert not bench.sampler_alive
    bench.start()
    assert bench.sampler_alive
    bench.close()
    assert not bench.sampler_alive


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (ImportError("No module named 'lgpio'"), "python3-lgpio"),
        (FileNotFoundError(".lgd-nfy-3"), "LG_WD"),
        (OSError("SPI device 0.0 cannot be opened"), "dtparam=spi=on"),
        (PinUnknownPi("unable to locate Pi revision"), "cannot be had"),
    ],
)
def test_missing_hardware_is_refused_with_a_remedy(error: Exception, words: str) -> None:
    """What a machine without the wires raises becomes one failure that says what to do."""
    with pytest.raises(FailureError, match=words), plain_refusals():
        raise error


@pytest.mark.parametrize("fallback", [PinFactoryFallback, SPISoftwareFallback])
def test_a_silent_replacement_is_refused(fallback: type[Warning]) -> None:
    """Where gpiozero would go on with something else and only warn, the station does not start."""
    with pytest.raises(FailureError, match="falling back"), plain_refusals():
        warnings.warn("falling back", fallback, stacklevel=1)


def test_safe_is_nothing_energised() -> None:
    """The levels everything starts and ends with are all off."""
    assert not any(getattr(SAFE, name) for name in Levels.__struct_fields__)
