"""One bench: all its wires behind four verbs: read, presses, write, close.

The same class runs on the Pi's wires and on simulated ones; it is given its pin factory, its bus and its
clock. Whatever way a bench ends, its outputs are made safe first.
"""

import warnings
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from types import TracebackType
from typing import Self

from gpiozero import (
    MCP3008,
    Factory,
    GPIOZeroError,
    NativePinFactoryFallback,
    PinFactoryFallback,
    SPISoftwareFallback,
)

from shared.indication import Levels
from shared.problems import FailureError
from shared.readings import ExtractionReading, PlateReading
from station.drivers.bus import KernelSpi, PlateSpi
from station.drivers.extraction import (
    ContactSampler,
    ExtractionSampler,
    ExtractionSensor,
    InlineSampler,
    Sampler,
)
from station.drivers.inputs import AcknowledgeButton, Cradle
from station.drivers.outputs import Outputs
from station.drivers.pacing import Pacer, RealPacer
from station.drivers.plate import PlateSensor
from station.rules.limits import PlateLimits
from station.settings import Wires


class Bench:
    """The wires of one bench; use it as a context, or call :meth:`start` and :meth:`close`."""

    def __init__(
        self,
        wires: Wires,
        *,
        pin_factory: Factory,
        spi: PlateSpi,
        pacer: Pacer,
        limits: PlateLimits | None = None,
        threaded: bool = True,
    ) -> None:
        """Claim every wire; on failure, let go of those already claimed, outputs safe.

        Args:
            wires: which pin and channel is what.
            pin_factory: gpiozero's, real or simulated; closed with the bench.
            spi: the plate's bus; closed with the bench.
            pacer: the clock of sampling and of button edges.
            limits: what is believable of the plate, °C.
            threaded: sample the extraction in a thread; False samples when read (time that is not real).
        """
        self._pacer = pacer
        with ExitStack() as stack:
            stack.callback(pin_factory.close)
            stack.callback(spi.close)
            self._sampler = self._extraction(wires, pin_factory, threaded, stack)
            self._cradle = Cradle(wires.pins, pin_factory)
            stack.callback(self._cradle.close)
            self._button = AcknowledgeButton(wires.pins, pin_factory, pacer.now_s)
            stack.callback(self._button.close)
            self._plate = PlateSensor(spi, wires.plate, limits)
            self._outputs = Outputs(wires, pin_factory)
            stack.callback(self._outputs.close)  # last in, first out: the outputs are safe before all else
            self._stack = stack.pop_all()

    def _extraction(self, wires: Wires, pin_factory: Factory, threaded: bool, stack: ExitStack) -> Sampler:
        """Whatever speaks for the extractor, by the settings; let go by the stack."""
        wire = wires.extraction
        sampler: Sampler
        if wire.kind == "contact":
            sampler = ContactSampler(wires.pins, pin_factory)
        else:
            adc = MCP3008(channel=wire.channel, device=wire.spi_device, pin_factory=pin_factory)
            stack.callback(adc.close)
            sensor = ExtractionSensor(adc, wire, self._pacer)
            sampler = ExtractionSampler(sensor) if threaded else InlineSampler(sensor)
        stack.callback(sampler.stop)
        return sampler

    @property
    def sampler_alive(self) -> bool:
        """Whether extraction windows are still being taken."""
        return self._sampler.alive

    @property
    def sampler_beat_s(self) -> float | None:
        """When the sampling thread last took a window, by time.monotonic(); None where there is no thread."""
        return self._sampler.beat_s

    def start(self) -> None:
        """Begin sampling the extraction; the first window is there a window later. Once only."""
        self._sampler.start()

    def read(self) -> tuple[PlateReading, ExtractionReading, bool | None]:
        """Plate, extraction, and whether the bottle is out (None: cannot be read).

        Never raises for what the wires do.
        """
        extraction = self._sampler.latest(self._pacer.now_s())
        return self._plate.read(), extraction, self._cradle.solvent_out()

    def presses(self) -> int:
        """Presses of the acknowledge button since last asked."""
        return self._button.presses()

    def pressed(self) -> bool | None:
        """Whether the acknowledge button is held down right now; None when it cannot be read."""
        return self._button.pressed()

    def write(self, levels: Levels) -> None:
        """Drive every output pin.

        Raises:
            FailureError: a pin could not be written; all the others were.
        """
        self._outputs.write(levels)

    def levels(self) -> Levels:
        """The output levels, read back from the pins."""
        return self._outputs.levels()

    def close(self) -> None:
        """Make the outputs safe, then let everything go; harmless twice.

        Raises:
            FailureError: an output pin could not be made safe.
        """
        self._stack.close()

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def real_bench(wires: Wires, limits: PlateLimits | None = None) -> Bench:
    """The bench on this Pi's own wires; nothing is simulated or replaced when something is missing.

    Raises:
        FailureError: lgpio, the pins or the SPI bus cannot be had; says what to do.
    """
    with plain_refusals():
        return _open(wires, limits)


@contextmanager
def plain_refusals() -> Iterator[None]:
    """Turn what goes wrong while wires are opened into one error that says what to do.

    Inside, gpiozero's silent replacements (another pin factory, a bit-banged bus) are errors.

    Raises:
        FailureError: in place of the library's own exception or warning.
    """
    try:
        with warnings.catch_warnings():
            for fallback in _FALLBACKS:
                warnings.simplefilter("error", fallback)
            yield
    except ImportError as error:
        raise FailureError(
            f"lgpio cannot be imported ({error}). On Raspberry Pi OS: sudo apt-get install "
            "python3-lgpio. Without wires: benchward run --simulate."
        ) from error
    except (OSError, GPIOZeroError, *_FALLBACKS) as error:
        raise FailureError(f"The Pi's wires cannot be had: {error}. {_REMEDY}") from error


def make_outputs_safe(wires: Wires) -> None:
    """Drive this Pi's output pins safe and let them go, after whoever held them has ended.

    Only the output pins are claimed, so that a dead bus or another chip does not stand in the way.

    Raises:
        FailureError: the pins cannot be had, or one cannot be driven.
    """
    with plain_refusals(), ExitStack() as undo:
        from gpiozero.pins.lgpio import LGPIOFactory
        from lgpio import error as LgpioError  # noqa: N812

        try:
            pin_factory = LGPIOFactory()
            undo.callback(pin_factory.close)
            Outputs(wires, pin_factory).close()
        except LgpioError as error:
            raise OSError(str(error)) from error


_FALLBACKS = (PinFactoryFallback, NativePinFactoryFallback, SPISoftwareFallback)
_REMEDY = (
    "Switch SPI on (dtparam=spi=on), join the groups gpio and spi, set LG_WD to a writable directory, and "
    "see that no other program holds the pins."
)


def _open(wires: Wires, limits: PlateLimits | None) -> Bench:
    from gpiozero.pins.lgpio import LGPIOFactory
    from lgpio import error as LgpioError  # noqa: N812

    try:
        with ExitStack() as undo:
            pin_factory = LGPIOFactory()
            undo.callback(pin_factory.close)
            spi = KernelSpi(wires.plate.spi_device, wires.plate.baud)
            undo.pop_all()
        return Bench(wires, pin_factory=pin_factory, spi=spi, pacer=RealPacer(), limits=limits)
    except LgpioError as error:
        raise OSError(str(error)) from error
