"""The simulated wires: SPI answers of both chips, and pins, as the real drivers meet them."""

from collections.abc import Callable, Sequence
from enum import StrEnum
from random import Random
from typing import Any

from gpiozero import SPIBadArgs
from gpiozero.pins.mock import MockFactory, MockPin

from shared.readings import PlateQuality
from station.measurement.coefficients import Letter
from station.measurement.frame import encode
from station.measurement.its90 import chip_reading_c
from station.simulation.fan import CurrentCodes
from station.simulation.plate import Plate

CHIP_NOISE_C, COLD_JUNCTION_NOISE_C = 0.12, 0.03
"""Standard deviations; enough that a quiet plate's words still waver by a step, as a live chip's do."""

KEPT_STATES = 256


class Fault(StrEnum):
    """What can befall the wires."""

    PLATE_OPEN = "plate-open"
    PLATE_SHORT_TO_GROUND = "plate-short-to-ground"
    PLATE_SHORT_TO_SUPPLY = "plate-short-to-supply"
    PLATE_DEAD = "plate-dead"
    PLATE_BUS = "plate-bus"
    PLATE_NOISE = "plate-noise"
    PLATE_FROZEN = "plate-frozen"
    PLATE_SWAPPED = "plate-swapped"
    PLATE_SHORTED = "plate-shorted"
    EXTRACTION_DEAD = "extraction-dead"
    EXTRACTION_BUS = "extraction-bus"
    EXTRACTION_UNPLUGGED = "extraction-unplugged"
    CRADLE_WIRE = "cradle-wire"
    ACKNOWLEDGE_WIRE = "acknowledge-wire"


_CHIP_FAULTS = {
    Fault.PLATE_OPEN: PlateQuality.OPEN,
    Fault.PLATE_SHORT_TO_GROUND: PlateQuality.SHORT_TO_GROUND,
    Fault.PLATE_SHORT_TO_SUPPLY: PlateQuality.SHORT_TO_SUPPLY,
}


class SimulatedPlateSpi:
    """A MAX31855 with its thermocouple in the plate, on a bus of its own."""

    def __init__(
        self,
        plate: Plate,
        random: Random,
        faults: set[Fault],
        sync: Callable[[], None],
        letter: Letter = "K",
    ) -> None:
        """Answer for ``plate``.

        Args:
            plate: whose temperature.
            random: noise.
            faults: looked at on every read.
            sync: called before every read; brings the plate up to now.
            letter: of the thermocouple and the chip.
        """
        self._plate = plate
        self._letter: Letter = letter
        self._random = random
        self._faults = faults
        self._sync = sync
        self._locked = False
        self._last_word = 0

    def try_lock(self) -> bool:
        """Take the bus; False while it is taken."""
        if self._locked:
            return False
        self._locked = True
        return True

    def unlock(self) -> None:
        """Give the bus back."""
        self._locked = False

    def configure(self, *, baudrate: int, polarity: int, phase: int) -> None:
        """Refuse what the chip does not understand.

        Raises:
            ValueError: not SPI mode 0, or faster than 5 MHz.
        """
        if polarity or phase or baudrate > 5_000_000:
            raise ValueError(f"The chip wants mode 0 and 5 MHz at most, not {baudrate!r} Hz.")

    def readinto(self, buffer: bytearray) -> None:
        """Shift out the frame of this moment.

        Raises:
            OSError: the bus is to fail.
        """
        self._sync()
        if Fault.PLATE_BUS in self._faults:
            raise OSError("The simulated plate bus has failed.")
        if Fault.PLATE_FROZEN not in self._faults:
            self._last_word = self._word()
        buffer[:] = self._last_word.to_bytes(4, "big")

    def close(self) -> None:
        """Nothing to let go."""

    def _word(self) -> int:
        if Fault.PLATE_DEAD in self._faults:
            return 0
        if Fault.PLATE_NOISE in self._faults:
            return self._random.getrandbits(32)
        cold_junction_c = self._plate.cold_junction_c
        seen_c = chip_reading_c(self._plate.plate_c, cold_junction_c, self._letter)
        if Fault.PLATE_SWAPPED in self._faults:
            seen_c = 2 * cold_junction_c - seen_c  # the voltage has the other sign
        if Fault.PLATE_SHORTED in self._faults:
            seen_c = cold_junction_c  # lead to lead: no voltage, and no fault bit either
        return encode(
            seen_c + self._random.gauss(0.0, CHIP_NOISE_C),
            cold_junction_c + self._random.gauss(0.0, COLD_JUNCTION_NOISE_C),
            next((_CHIP_FAULTS[fault] for fault in _CHIP_FAULTS if fault in self._faults), None),
        )


class SimulatedAdcSpi:
    """An MCP3008 as gpiozero's SPI interface, the transformer on one channel and nothing on the others."""

    bits_per_word = 8
    closed = False

    def __init__(
        self, codes: CurrentCodes, channel: int, faults: set[Fault], now_s: Callable[[], float]
    ) -> None:
        """Answer with ``codes`` on ``channel``, at the time ``now_s`` gives; ``faults`` are looked at."""
        self._codes = codes
        self._channel = channel
        self._faults = faults
        self._now_s = now_s

    def transfer(self, words: Sequence[int]) -> list[int]:
        """Exchange the three bytes of one conversion (single-ended).

        Raises:
            OSError: the bus is to fail.
        """
        if self._faults:
            if Fault.EXTRACTION_BUS in self._faults:
                raise OSError("The simulated extraction bus has failed.")
            if Fault.EXTRACTION_DEAD in self._faults:
                return [0, 0, 0]
        if words[0] != 1 or words[1] >> 4 != 8 | self._channel:
            return [0, 0, 0]
        code = self._codes.code(self._now_s())
        return [0, code >> 8, code & 0xFF]

    def close(self) -> None:
        """Nothing to let go."""


class ForgetfulPin(MockPin):  # type: ignore[misc]  # gpiozero has no types
    """A mock pin that remembers only its latest states, so that a heartbeat of days does not fill memory.

    ``failing``: reading it raises, as a pin does whose chip has gone.
    """

    failing = False

    def _get_state(self) -> bool:
        if self.failing:
            raise OSError("The simulated pin cannot be read.")
        return bool(super()._get_state())

    def _change_state(self, value: bool) -> bool:
        changed = bool(super()._change_state(value))
        if len(self.states) > 2 * KEPT_STATES:
            del self.states[:-KEPT_STATES]
        return changed


class SimulatedPinFactory(MockFactory):  # type: ignore[misc]  # gpiozero has no types
    """Mock pins, and the simulated converter on its chip select."""

    def __init__(self, adc: SimulatedAdcSpi, device: int) -> None:
        """Put ``adc`` on chip select ``device``."""
        super().__init__(pin_class=ForgetfulPin)
        self._adc = adc
        self._device = device

    def spi(self, **spi_args: Any) -> SimulatedAdcSpi:
        """The converter's bus.

        Raises:
            SPIBadArgs: nothing is connected to the chip select asked for.
        """
        if spi_args.get("device") != self._device:
            raise SPIBadArgs(f"Nothing simulated answers at {spi_args!r}.")
        return self._adc
