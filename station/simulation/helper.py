"""A simulated bench to be walked through, and somebody who does there what is asked and says what is seen.

Lamps and permit are read back from the pins; the iron's socket is worked out as the wiring would: a relay
behind a monostable that wants the heartbeat's edges.
"""

from collections.abc import Iterator
from contextlib import contextmanager

from shared.indication import SAFE, Levels
from station.commissioning.parties import Act, Look, Pattern, Sight
from station.simulation.bench import SimulatedBench

TICK_S = 0.1
SHOW_TICKS = 20
MONOSTABLE_S = 1.0
FINGER_C = 33.0
LAMPS = ("red", "amber", "green", "blue")
FLAWS = ("no-monostable", "permit-welded", *(f"{name}-dead" for name in (*LAMPS, "buzzer", "permit")))
"""What can be wrong behind the output pins."""


class SimulatedRoom:
    """Wires, lamps and the iron's socket of a simulated bench, in time that a look or a show moves on."""

    def __init__(self, plant: SimulatedBench, flaws: frozenset[str] = frozenset()) -> None:
        """A bench at rest.

        Args:
            plant: told its time (made without a clock).
            flaws: of `FLAWS`.
        """
        self.plant, self._flaws = plant, flaws
        self._now_s = 0.0
        self._levels: Levels = SAFE
        self._edge_s = float("-inf")
        self.seen: set[str] = set()

    def look(self) -> Look:
        """All inputs, a tenth of a second on."""
        self._live()
        return Look(*self.plant.bench.read(), self.plant.bench.pressed())

    @contextmanager
    def showing(self, pattern: Pattern) -> Iterator[None]:
        """Two seconds of the pattern, then whoever looks may say what was to be seen."""
        self.seen = set()
        for tick in range(SHOW_TICKS):
            self._drive(pattern(tick))
        yield
        self._drive(SAFE)

    def left(self, levels: Levels, seconds: float) -> None:
        """Pins that stay at ``levels`` with nobody to drive them: the worst a killed program leaves."""
        self._levels = levels
        self._now_s += seconds

    def live_again(self, pattern: Pattern) -> None:
        """Another program drives the same pins for two seconds."""
        for tick in range(SHOW_TICKS):
            self._live()
            self._take(pattern(tick))

    def observe(self, now_s: float) -> None:
        """Look at the pins as another program has just driven them."""
        self._now_s = now_s
        self._take(self.plant.bench.levels())

    @property
    def socket_live(self) -> bool:
        """Whether the iron has power."""
        if "permit-welded" in self._flaws:
            return True
        kept = "no-monostable" in self._flaws or self._now_s - self._edge_s < MONOSTABLE_S
        return self._levels.permit and kept and "permit-dead" not in self._flaws

    def _drive(self, levels: Levels) -> None:
        self._live()
        self.plant.bench.write(levels)
        self._take(self.plant.bench.levels())

    def _take(self, levels: Levels) -> None:
        if levels.heartbeat != self._levels.heartbeat:
            self._edge_s = self._now_s
        self._levels = levels
        for name in (*LAMPS, "buzzer"):
            if getattr(levels, name) and f"{name}-dead" not in self._flaws:
                self.seen.add(name)

    def _live(self) -> None:
        self._now_s += TICK_S
        self.plant.advance_to(self._now_s)


class SimulatedHelper:
    """Does in the simulated room what it is asked to do, and sees only what is there."""

    def __init__(self, room: SimulatedRoom) -> None:
        self._room = room
        self.told: list[str] = []

    def tell(self, text: str) -> None:
        """Keep what was said."""
        self.told.append(text)

    def do(self, act: Act, text: str) -> None:
        """Do it."""
        self.told.append(text)
        plant = self._room.plant
        if act is Act.WARM_JUNCTION:
            plant.plate.plate_c = FINGER_C
        elif act in (Act.LIFT_BOTTLE, Act.RETURN_BOTTLE):
            plant.bottle_out = act is Act.LIFT_BOTTLE
        elif act in (Act.PRESS, Act.LET_GO):
            plant.hold_acknowledge(act is Act.PRESS)
        elif act is Act.FAN_ON:
            plant.fan.start()
        elif act is Act.FAN_OFF:
            plant.fan.stop()

    def sees(self, sight: Sight, text: str) -> bool:
        """Say what there is to see."""
        self.told.append(text)
        if sight in (Sight.IRON_ON, Sight.IRON_OFF):
            return self._room.socket_live is (sight is Sight.IRON_ON)
        if sight in (Sight.LAMPS, Sight.PLATE):
            return sight is Sight.PLATE or self._room.seen >= set(LAMPS)
        if sight is Sight.BUZZER:
            return "buzzer" in self._room.seen
        if sight is Sight.DARK:
            return not self._room.seen
        return self._room.seen == {sight.value}
