"""A whole simulated bench: plant, wires, and the real drivers on them.

Without a clock its time is what :meth:`SimulatedBench.advance_to` was last told, the extraction is sampled
when read, and the same seed and the same acts give the same words. With a clock the plant follows that clock
by itself and the drivers run as they do on the Pi, sampling thread included.
"""

from collections.abc import Callable
from random import Random

from station.drivers.bench import Bench
from station.drivers.pacing import Pacer, RealPacer
from station.rules.limits import PlateLimits
from station.settings import Wires
from station.simulation.fan import CurrentCodes, Fan, LevelCodes
from station.simulation.plate import Plate
from station.simulation.wires import Fault, SimulatedAdcSpi, SimulatedPinFactory, SimulatedPlateSpi

_OPENING = frozenset({Fault.EXTRACTION_UNPLUGGED, Fault.EXTRACTION_DEAD})


class SimulatedPacer:
    """Time that stands where it was put: waiting moves it, forth and (for a window now past) back."""

    def __init__(self, start_s: float = 0.0) -> None:
        """Stand at ``start_s`` seconds."""
        self._now_s = start_s

    def now_s(self) -> float:
        """Seconds."""
        return self._now_s

    def wait_until_s(self, time_s: float) -> None:
        """Be at ``time_s`` seconds."""
        self._now_s = time_s


class SimulatedBench:
    """The plant and its wires. ``bench`` is the real driver class on them; who closes it closes all.

    Attributes:
        plate: the hot plate.
        fan: the extractor's motor.
        bench: what the station talks to.
    """

    def __init__(
        self,
        wires: Wires | None = None,
        seed: int = 0,
        *,
        clock: Callable[[], float] | None = None,
        limits: PlateLimits | None = None,
    ) -> None:
        """A cold bench, everything switched off, the bottle in its cradle.

        Args:
            wires: as for the real bench; the defaults when None.
            seed: of all its noise.
            clock: seconds at the machine's own speed, for a bench in real time; None for one that is told.
            limits: what is believable of the plate, °C.
        """
        wires = wires or Wires()
        self._clock = clock
        self._pacer: Pacer = SimulatedPacer() if clock is None else RealPacer(clock)
        self._faults: set[Fault] = set()
        self.plate = Plate(self._pacer.now_s())
        self.fan = Fan(Random(seed))
        kind = LevelCodes if wires.extraction.kind == "dc-level" else CurrentCodes
        self._codes = kind(self.fan, wires.extraction, Random(seed + 1))
        adc = SimulatedAdcSpi(self._codes, wires.extraction.channel, self._faults, self._pacer.now_s)
        self._pins = SimulatedPinFactory(adc, wires.extraction.spi_device)
        self.bench = Bench(
            wires,
            pin_factory=self._pins,
            spi=SimulatedPlateSpi(
                self.plate, Random(seed + 2), self._faults, self._sync, wires.plate.thermocouple
            ),
            pacer=self._pacer,
            limits=limits,
            threaded=clock is not None,
        )
        self._cradle = self._pins.pin(wires.pins.cradle)
        self._acknowledge = self._pins.pin(wires.pins.acknowledge)
        self._contact = (
            self._pins.pin(wires.pins.extraction_contact) if wires.extraction.kind == "contact" else None
        )
        self._bottle_out = False
        self._drive_cradle()

    @property
    def realtime(self) -> bool:
        """Whether the bench follows a clock by itself."""
        return self._clock is not None

    @property
    def bottle_out(self) -> bool:
        """Whether the solvent bottle is out of its cradle; assign to lift it or put it back."""
        return self._bottle_out

    @bottle_out.setter
    def bottle_out(self, out: bool) -> None:
        self._bottle_out = out
        self._drive_cradle()

    def press_acknowledge(self) -> None:
        """Press and release the acknowledge button, now."""
        self.hold_acknowledge(True)
        self.hold_acknowledge(False)

    def hold_acknowledge(self, down: bool) -> None:
        """Hold the acknowledge button down, or let it go; a broken wire never comes through."""
        if down and Fault.ACKNOWLEDGE_WIRE not in self._faults:
            self._acknowledge.drive_low()
        else:
            self._acknowledge.drive_high()

    def fault(self, kind: Fault | str) -> None:
        """Let ``kind`` befall the wires, until healed.

        Raises:
            ValueError: there is no such fault.
        """
        self._faults.add(Fault(kind))
        self._apply_faults()

    def heal(self, kind: Fault | str | None = None) -> None:
        """Mend one fault, or all of them when ``kind`` is None; mending what is whole changes nothing.

        Raises:
            ValueError: there is no such fault.
        """
        if kind is None:
            self._faults.clear()
        else:
            self._faults.discard(Fault(kind))
        self._apply_faults()

    def advance_to(self, time_s: float) -> None:
        """Let the bench live until ``time_s`` seconds (the clock's, when there is one)."""
        self.plate.advance_to(time_s)
        self._drive_contact()
        if self._clock is None:
            self._pacer.wait_until_s(time_s)

    def _sync(self) -> None:
        if self._clock is not None:
            self.plate.advance_to(self._clock())
        self._drive_contact()

    def _apply_faults(self) -> None:
        self._codes.unplugged = Fault.EXTRACTION_UNPLUGGED in self._faults
        self._drive_cradle()
        self._drive_contact()

    def _drive_contact(self) -> None:
        # The current switch closes to ground while the motor draws current; dead or unplugged, it is open.
        if self._contact is None:
            return
        self._contact.failing = Fault.EXTRACTION_BUS in self._faults
        if self.fan.running and not self._faults & _OPENING:
            self._contact.drive_low()
        else:
            self._contact.drive_high()

    def _drive_cradle(self) -> None:
        # The switch is closed, pin low, by a bottle in its cradle and a whole wire.
        if self._bottle_out or Fault.CRADLE_WIRE in self._faults:
            self._cradle.drive_high()
        else:
            self._cradle.drive_low()
