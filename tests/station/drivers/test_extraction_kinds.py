"""The other two things that may speak for the extractor: a transducer's level, and a current switch."""

from collections.abc import Iterator
from typing import Any

import pytest
from gpiozero import MCP3008, GPIOPinInUse, OutputDevice, SPIBadArgs
from gpiozero.pins.mock import MockFactory

from shared.readings import ExtractionQuality, ExtractionReading
from station.drivers.bench import Bench
from station.drivers.extraction import ContactSampler, ExtractionSensor
from station.settings import ExtractionWire, Pins, Wires

PINS = Pins()
LEVEL = ExtractionWire(
    kind="dc-level", channel=3, samples_per_cycle=20, supply_v=3.3, volts_per_ampere=2.0, zero_v=0.5
)
CLOSED = ExtractionReading(quality=ExtractionQuality.CONTACT, closed=True)
OPEN = ExtractionReading(quality=ExtractionQuality.CONTACT, closed=False)
UNREADABLE = ExtractionReading(quality=ExtractionQuality.UNREADABLE)


@pytest.fixture
def switch(factory: Any) -> Iterator[ContactSampler]:
    """A current switch on a pin."""
    made = ContactSampler(PINS, factory)
    made.start()
    yield made
    made.stop()


@pytest.mark.parametrize(
    ("code", "current_a"),
    [
        pytest.param(155, 0.0, id="0.4995 V is the zero"),
        pytest.param(416, (416 * 3.3 / 1024 - 0.5) / 2.0, id="1.34 V"),
        pytest.param(1022, (1022 * 3.3 / 1024 - 0.5) / 2.0, id="the highest voltage that can be read"),
    ],
)
def test_a_transducers_volts_become_amperes(
    adc: Any, adc_wire: Any, pacer: Any, code: int, current_a: float
) -> None:
    """Closed form: code · 3.3 V / 1024 (DS21295), less the zero, over the slope."""
    adc_wire.codes = [code]
    found = ExtractionSensor(adc, LEVEL, pacer).sample_window()
    assert found.extraction_a == pytest.approx(current_a, abs=1e-9)
    assert adc_wire.sent == [[1, 0x80 | 3 << 4, 0]] * 100


@pytest.mark.parametrize(
    ("code", "quality"),
    [
        pytest.param(1023, ExtractionQuality.CLIPPED, id="stuck at the supply"),
        pytest.param(0, ExtractionQuality.UNREADABLE, id="dead, or its wire broken"),
    ],
)
def test_a_transducer_line_stuck_at_either_end_gives_no_current(
    adc: Any, adc_wire: Any, pacer: Any, code: int, quality: ExtractionQuality
) -> None:
    """Own rule: above a live zero neither end of the scale is a current."""
    adc_wire.codes = [code]
    assert ExtractionSensor(adc, LEVEL, pacer).sample_window() == ExtractionReading(quality=quality)


def test_a_failed_bus_of_a_transducer_is_unreadable(adc: Any, adc_wire: Any, pacer: Any) -> None:
    """Own rule: an exception of the bus gives no number and does not get out."""
    adc_wire.error = OSError("bus")
    assert ExtractionSensor(adc, LEVEL, pacer).sample_window() == UNREADABLE


def test_a_current_switch_is_closed_while_the_motor_runs(factory: Any, switch: ContactSampler) -> None:
    """Own wiring: pin low is a running motor, pin high one at rest, at the very next look."""
    pin = factory.pin(PINS.extraction_contact)
    pin.drive_low()
    assert switch.latest(1.0) == CLOSED
    pin.drive_high()
    assert switch.latest(1.1) == OPEN


def test_a_broken_wire_of_a_current_switch_reads_as_at_rest(factory: Any, switch: ContactSampler) -> None:
    """Own wiring: with nothing connected the pull-up decides, and it says not running, the safe side."""
    assert factory.pin(PINS.extraction_contact).pull == "up"
    assert switch.latest(1.0) == OPEN


def test_a_current_switch_that_cannot_be_read_is_neither(switch: ContactSampler) -> None:
    """Own rule: a pin that is gone is unreadable, neither running nor at rest."""
    switch.stop()
    assert switch.latest(1.0) == UNREADABLE


class NoBusFactory(MockFactory):
    """Mock pins on a board without an SPI bus."""

    def spi(self, **spi_args: Any) -> Any:
        """Refused."""
        raise SPIBadArgs("There is no bus here.")


def test_a_bench_with_a_current_switch_wants_no_converter(plate_wire: Any, pacer: Any) -> None:
    """Own rule: where no converter can be had at all, a bench with a switch still opens and reads it."""
    factory = NoBusFactory()
    with pytest.raises(SPIBadArgs):
        MCP3008(channel=0, device=1, pin_factory=factory)
    wires = Wires(extraction=ExtractionWire(kind="contact"))
    with Bench(wires, pin_factory=factory, spi=plate_wire(0), pacer=pacer) as bench:
        factory.pin(PINS.extraction_contact).drive_low()
        assert bench.read()[1] == CLOSED
        assert bench.sampler_alive


@pytest.mark.parametrize(("kind", "taken"), [("contact", True), ("dc-level", False), ("ct-waveform", False)])
def test_only_a_current_switch_takes_its_pin(
    factory: Any, plate_wire: Any, pacer: Any, kind: Any, taken: bool
) -> None:
    """Own rule: the pin is claimed for a switch alone, and is free again when the bench is closed."""
    wires = Wires(extraction=ExtractionWire(kind=kind))

    def free() -> bool:
        try:
            OutputDevice(PINS.extraction_contact, pin_factory=factory).close()
        except GPIOPinInUse:
            return False
        return True

    with Bench(wires, pin_factory=factory, spi=plate_wire(0), pacer=pacer, threaded=False):
        assert free() is not taken
    assert free()
