"""Wires that answer as told: the plate's bus, the converter's bus, and a clock."""

from collections.abc import Callable, Iterator, Sequence
from typing import Any

import pytest
from gpiozero import MCP3008
from gpiozero.pins.mock import MockFactory


class PlateWire:
    """A bus that shifts out the words it was given, the last one for ever; None is a bus that fails."""

    def __init__(self, *words: int | None) -> None:
        """Answer ``words`` in turn."""
        self.words = list(words)
        self.calls: list[str] = []

    def try_lock(self) -> bool:
        """Granted."""
        self.calls.append("lock")
        return True

    def unlock(self) -> None:
        """Taken back."""
        self.calls.append("unlock")

    def configure(self, *, baudrate: int, polarity: int, phase: int) -> None:
        """Noted."""
        self.calls.append("configure")

    def readinto(self, buffer: bytearray) -> None:
        """The next word."""
        self.calls.append("read")
        word = self.words.pop(0) if len(self.words) > 1 else self.words[0]
        if word is None:
            raise OSError("The line is cut.")
        buffer[:] = word.to_bytes(4, "big")

    def close(self) -> None:
        """Noted."""
        self.calls.append("close")


class AdcWire:
    """gpiozero's SPI interface, answering the codes it was given over and over."""

    bits_per_word = 8
    closed = False

    def __init__(self, codes: Sequence[int]) -> None:
        """Answer ``codes`` in turn."""
        self.codes = codes
        self.sent: list[list[int]] = []
        self.error: Exception | None = None

    def transfer(self, words: list[int]) -> list[int]:
        """One conversion."""
        if self.error is not None:
            raise self.error
        self.sent.append(words)
        code = self.codes[(len(self.sent) - 1) % len(self.codes)]
        return [0, code >> 8, code & 0xFF]

    def close(self) -> None:
        """Nothing to let go."""


class WiredFactory(MockFactory):
    """Mock pins with a converter."""

    def __init__(self, adc: AdcWire) -> None:
        """Put ``adc`` on the bus."""
        super().__init__()
        self.adc = adc
        self.closings = 0

    def spi(self, **spi_args: Any) -> AdcWire:
        """The converter, whatever chip select is asked for."""
        return self.adc

    def close(self) -> None:
        """Counted."""
        self.closings += 1
        super().close()


class SteppedPacer:
    """A clock that jumps to whatever is waited for, late by what it is told."""

    def __init__(self) -> None:
        """Start at 100 s."""
        self.time_s = 100.0
        self.late_s: Callable[[float], float] = lambda _: 0.0

    def now_s(self) -> float:
        """Seconds."""
        return self.time_s

    def wait_until_s(self, time_s: float) -> None:
        """Be there, forth or back, and late by what was told."""
        self.time_s = time_s + self.late_s(time_s)


@pytest.fixture(scope="session")
def plate_wire() -> type[PlateWire]:
    """A bus that answers given words."""
    return PlateWire


@pytest.fixture
def adc_wire() -> AdcWire:
    """A converter at rest on its bias."""
    return AdcWire([512])


@pytest.fixture
def factory(adc_wire: AdcWire) -> Iterator[WiredFactory]:
    """Mock pins with ``adc_wire`` on the bus."""
    made = WiredFactory(adc_wire)
    yield made
    made.close()


@pytest.fixture
def adc(factory: WiredFactory) -> Iterator[MCP3008]:
    """The converter as gpiozero drives it on ``adc_wire``, channel 3."""
    with MCP3008(channel=3, device=1, pin_factory=factory) as device:
        yield device


@pytest.fixture
def pacer() -> SteppedPacer:
    """A clock that never lets one wait."""
    return SteppedPacer()
