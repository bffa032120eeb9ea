"""The plate's thermocouple through a MAX31855: one frame a reading, and everything read from that frame.

The library's correction (``temperature_NIST``) reads the chip twice, so its pair can be torn and a fault in
the second frame goes unseen; here the one frame it fetched is decoded by :mod:`station.measurement.frame`.
"""

from contextlib import suppress

from adafruit_max31855 import MAX31855

from shared.readings import PlateReading
from station.decoding import plate_decoder
from station.drivers.bus import PlateSpi, bus_errors
from station.measurement.frame import BUS_FAILED
from station.rules.limits import PlateLimits
from station.settings import PlateWire


class PlateSensor:
    """The plate's sensor. The chip needs 100 ms to convert; faster reads return the frame before."""

    def __init__(self, spi: PlateSpi, wire: PlateWire, limits: PlateLimits | None = None) -> None:
        """Attach to ``spi``; nothing is read yet.

        Args:
            spi: a bus whose chip select the kernel (or the simulation) drives.
            wire: gain and offset.
            limits: what is believable of plate and cold junction, °C; the defaults when None.
        """
        self._decode = plate_decoder(wire, limits or PlateLimits())
        self._chip = MAX31855(spi, None)  # no chip select of its own: Blinka's would fight the kernel's

    def read(self) -> PlateReading:
        """One transaction on the bus, one reading; never raises for what the wires do."""
        try:
            with suppress(RuntimeError):  # a wire fault: the same frame tells it better
                _ = self._chip.temperature
        except bus_errors():
            return BUS_FAILED
        return self._decode(int.from_bytes(self._chip.data, "big"))
