"""What the SPI buses look like to the drivers, and the Pi's kernel bus.

lgpio is imported only when a real bus is opened: it is not installed on PCs, and its import wants a writable
working directory.
"""

import sys
from types import ModuleType
from typing import Protocol

from gpiozero import GPIOZeroError


class PlateSpi(Protocol):
    """The bus as the MAX31855 library uses it: lock, configure, read, unlock is one transaction."""

    def try_lock(self) -> bool:
        """Take the bus; False when somebody else holds it."""

    def unlock(self) -> None:
        """Give the bus back; the transaction ends here."""

    def configure(self, *, baudrate: int, polarity: int, phase: int) -> None:
        """Take note of speed and mode."""

    def readinto(self, buffer: bytearray) -> None:
        """Fill ``buffer`` from the bus.

        Raises:
            OSError: the bus failed.
        """

    def close(self) -> None:
        """Let the bus go; harmless twice."""


def bus_errors() -> tuple[type[Exception], ...]:
    """The exceptions by which a bus or a pin says that it failed."""
    lgpio = sys.modules.get("lgpio")
    if lgpio is None:
        return (OSError, GPIOZeroError)
    return (OSError, GPIOZeroError, lgpio.error)


class KernelSpi:
    """SPI 0 of the Pi through lgpio, with the kernel's own chip select.

    Speed is fixed at opening (lgpio would reopen the device at every change) and the mode is 0, so
    :meth:`configure` changes nothing. One thread only may use it: the lock is for form.
    """

    def __init__(self, device: int, baud: int, library: ModuleType | None = None) -> None:
        """Open ``/dev/spidev0.<device>`` at ``baud`` bits per second.

        Args:
            device: chip select, 0 or 1.
            baud: bits per second.
            library: lgpio, or something with its ``spi_open``, ``spi_read``, ``spi_close`` and ``error``.

        Raises:
            ImportError: lgpio is not installed.
            OSError: the device cannot be opened.
        """
        if library is None:
            import lgpio

            library = lgpio
        self._library = library
        self._device = device
        self._handle: int | None = None
        try:
            self._handle = library.spi_open(0, device, baud, 0)
        except library.error as error:
            raise OSError(f"SPI device 0.{device} cannot be opened: {error}.") from error

    def try_lock(self) -> bool:
        """True: there is one user."""
        return True

    def unlock(self) -> None:
        """Nothing to do: the kernel raised chip select when the read ended."""

    def configure(self, *, baudrate: int, polarity: int, phase: int) -> None:
        """Refuse any mode but 0; the speed stays what it was opened with.

        Raises:
            ValueError: another mode was asked for.
        """
        if polarity or phase:
            raise ValueError(f"SPI mode 0 only, not polarity={polarity!r} phase={phase!r}.")

    def readinto(self, buffer: bytearray) -> None:
        """Fill ``buffer`` in one transaction.

        Raises:
            OSError: closed, refused by the kernel, or fewer bytes than asked for.
        """
        if self._handle is None:
            raise OSError(f"SPI device 0.{self._device} is closed.")
        try:
            count, data = self._library.spi_read(self._handle, len(buffer))
        except self._library.error as error:
            raise OSError(f"SPI device 0.{self._device} cannot be read: {error}.") from error
        if count != len(buffer):
            raise OSError(f"SPI device 0.{self._device} gave {count!r} bytes, not {len(buffer)!r}.")
        buffer[:] = data

    def close(self) -> None:
        """Close the device; harmless twice."""
        if self._handle is not None:
            self._library.spi_close(self._handle)
        self._handle = None
