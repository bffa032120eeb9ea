"""The two switches: the bottle's cradle and the acknowledge button.

Both pull up and close to ground. The cradle's switch is closed by the bottle standing in it, so a broken wire
reads as "bottle out", the safe side.

gpiozero's Button is not used: each would keep a thread for held buttons, and closing one while it is pressed
(the cradle mostly is) would hold up the end of the program by a second.
"""

import queue
from collections.abc import Callable

from gpiozero import DigitalInputDevice, Factory

from station.drivers.bus import bus_errors
from station.settings import Pins

DEBOUNCE_S = 0.05
"""A press this soon after any other edge is contact bounce; common practice, no source."""

PENDING_EDGES = 64


class Cradle:
    """The switch under the solvent bottle."""

    def __init__(self, pins: Pins, pin_factory: Factory) -> None:
        """Claim the pin."""
        self._switch = DigitalInputDevice(pins.cradle, pull_up=True, pin_factory=pin_factory)

    def solvent_out(self) -> bool | None:
        """True with the bottle out of its cradle (or the wire broken), None when the pin cannot be read."""
        try:
            return not self._switch.is_active
        except bus_errors():
            return None

    def close(self) -> None:
        """Let the pin go."""
        self._switch.close()


class AcknowledgeButton:
    """The acknowledge button: callbacks only queue edges, presses are told apart from bounce when asked."""

    def __init__(self, pins: Pins, pin_factory: Factory, now_s: Callable[[], float]) -> None:
        """Claim the pin and listen.

        Args:
            pins: which pin.
            pin_factory: whose pin.
            now_s: stamps the edges, seconds.
        """
        self._now_s = now_s
        self._edges: queue.Queue[tuple[float, bool]] = queue.Queue(PENDING_EDGES)
        self._last_edge_s: float | None = None
        self._button = DigitalInputDevice(pins.acknowledge, pull_up=True, pin_factory=pin_factory)
        self._button.when_activated = self._put_press
        self._button.when_deactivated = self._put_release

    def presses(self) -> int:
        """How often the button was pressed since last asked, bounce left out."""
        count = 0
        while True:
            try:
                time_s, pressed = self._edges.get_nowait()
            except queue.Empty:
                return count
            last_s, self._last_edge_s = self._last_edge_s, time_s
            # Measured from the last edge of either kind: contacts bounce on release as well.
            if pressed and (last_s is None or time_s - last_s >= DEBOUNCE_S):
                count += 1

    def pressed(self) -> bool | None:
        """Whether it is held down right now; None when the pin cannot be read."""
        try:
            return bool(self._button.is_active)
        except bus_errors():
            return None

    def close(self) -> None:
        """Let the pin go."""
        self._button.close()

    def _put_press(self) -> None:
        self._put(True)

    def _put_release(self) -> None:
        self._put(False)

    def _put(self, pressed: bool) -> None:
        # A full queue drops the edge: a callback must never raise or wait.
        if not self._edges.full():
            self._edges.put_nowait((self._now_s(), pressed))
