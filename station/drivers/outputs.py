"""The output pins: four lamps, buzzer, permit relay and heartbeat.

Outputs are levels. Every pin is written at every tick, whether it changed or not, so a missed or disturbed
write heals itself. De-energised is safe: everything starts there and ends there.
"""

from contextlib import ExitStack

import msgspec
from gpiozero import Factory, OutputDevice

from shared.indication import SAFE, Levels
from shared.problems import FailureError
from station.drivers.bus import bus_errors
from station.settings import Wires

# The permit first: when a write is to make safe, it makes safe what matters most first.
OUTPUTS = ("permit", "red", "amber", "green", "blue", "buzzer", "heartbeat")


class Outputs:
    """All output pins, de-energised from construction to the first :meth:`write`."""

    def __init__(self, wires: Wires, pin_factory: Factory) -> None:
        """Claim every pin; if one cannot be had, those already claimed are let go again."""
        self._devices: dict[str, OutputDevice] = {}
        with ExitStack() as undo:
            undo.callback(self.close)
            for name in OUTPUTS:
                self._devices[name] = OutputDevice(
                    getattr(wires.pins, name),
                    active_high=wires.permit_active_high if name == "permit" else True,
                    initial_value=False,
                    pin_factory=pin_factory,
                )
            undo.pop_all()

    def write(self, levels: Levels) -> None:
        """Drive every pin to its level.

        Raises:
            FailureError: at least one pin could not be written; all the others were.
        """
        failed = []
        for name, device in self._devices.items():
            try:
                device.value = getattr(levels, name)
            except bus_errors() as error:
                failed.append(f"{name} ({error})")
        if failed:
            raise FailureError(f"Output pins could not be written: {', '.join(failed)}.")

    def safe(self) -> None:
        """De-energise everything.

        Raises:
            FailureError: as :meth:`write`.
        """
        self.write(SAFE)

    def levels(self) -> Levels:
        """The levels as the pins have them, read back."""
        return msgspec.convert({name: bool(d.value) for name, d in self._devices.items()}, Levels)

    def close(self) -> None:
        """De-energise everything, then let the pins go (they become inputs: the board's pulls hold them).

        Raises:
            FailureError: as :meth:`write`; the pins were let go nevertheless.
        """
        with ExitStack() as closing:
            for device in self._devices.values():
                closing.callback(device.close)
            closing.callback(self._devices.clear)
            self.safe()
