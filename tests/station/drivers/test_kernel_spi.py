"""The Pi's bus over something that behaves as lgpio does; lgpio itself needs a Pi."""

from types import SimpleNamespace
from typing import Any

import pytest

from shared.readings import PlateQuality
from station.drivers.bus import KernelSpi
from station.drivers.plate import PlateSensor
from station.measurement.frame import encode
from station.settings import PlateWire


class LgError(Exception):
    """lgpio's error is a plain exception, no OSError."""


def library(answer: Any, opens: bool = True) -> Any:
    """A bus of lgpio's interface; ``answer`` is what spi_read returns, or raises when an exception."""
    log: list[tuple[Any, ...]] = []

    def spi_open(*args: int) -> int:
        log.append(("open", *args))
        if not opens:
            raise LgError("can not open SPI")
        return 7

    def spi_read(handle: int, count: int) -> Any:
        log.append(("read", handle, count))
        if isinstance(answer, Exception):
            raise answer
        return answer

    def spi_close(handle: int) -> None:
        log.append(("close", handle))

    return SimpleNamespace(error=LgError, spi_open=spi_open, spi_read=spi_read, spi_close=spi_close, log=log)


def test_a_frame_is_read_through_the_kernel() -> None:
    """The plate's sensor reads four bytes in one call from the device it was opened on."""
    word = encode(100.0, 25.0)
    lg = library((4, bytearray(word.to_bytes(4, "big"))))
    spi = KernelSpi(0, 500_000, lg)
    assert PlateSensor(spi, PlateWire()).read().word == word
    spi.close()
    spi.close()
    assert lg.log == [("open", 0, 0, 500_000, 0), ("read", 7, 4), ("close", 7)]


@pytest.mark.parametrize("answer", [LgError("SPI xfer failed"), (2, bytearray(2))], ids=["error", "short"])
def test_a_failed_or_short_read_is_a_failed_bus(answer: Any) -> None:
    """An error of lgpio's own and an answer too short both mean that there is no word."""
    sensor = PlateSensor(KernelSpi(0, 500_000, library(answer)), PlateWire())
    assert sensor.read().quality is PlateQuality.BUS_ERROR


def test_a_closed_bus_is_a_failed_bus() -> None:
    """Reading after closing gives no word instead of an answer from somewhere else."""
    spi = KernelSpi(0, 500_000, library((4, bytearray(4))))
    spi.close()
    assert PlateSensor(spi, PlateWire()).read().quality is PlateQuality.BUS_ERROR


def test_a_device_that_cannot_be_opened_says_which() -> None:
    """Opening fails with the device's name in the message."""
    with pytest.raises(OSError, match=r"SPI device 0\.1 cannot be opened"):
        KernelSpi(1, 500_000, library(None, opens=False))


def test_only_mode_0_is_spoken() -> None:
    """Another SPI mode is refused rather than ignored."""
    spi = KernelSpi(0, 500_000, library(None))
    with pytest.raises(ValueError, match="mode 0 only"):
        spi.configure(baudrate=100_000, polarity=1, phase=0)
