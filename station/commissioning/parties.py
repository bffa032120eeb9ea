"""Who takes part in a walk through the wiring: the wires and the person, as the walk sees them."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from enum import StrEnum
from typing import NamedTuple, Protocol

from shared.indication import Levels
from shared.readings import ExtractionReading, PlateReading

Pattern = Callable[[int], Levels]
"""What the outputs show at a tick, counted from 0."""


class Look(NamedTuple):
    """All inputs at one moment; None: cannot be read."""

    plate: PlateReading
    extraction: ExtractionReading
    solvent_out: bool | None
    pressed: bool | None


class Wires(Protocol):
    """The inputs and outputs of one bench."""

    def look(self) -> Look:
        """All inputs, a tenth of a second after the last look."""

    def showing(self, pattern: Pattern) -> AbstractContextManager[None]:
        """Drive the outputs by a pattern, ten ticks a second, while the context lasts; safe afterwards."""


class Holder(Protocol):
    """A process of its own that holds the permit energised and its heartbeat going, to be killed."""

    def killed(self, while_alive: Callable[[], bool]) -> bool:
        """Start it, ask, kill it without warning; what ``while_alive`` answered.

        Raises:
            FailureError: it did not come to hold the permit.
        """


class Act(StrEnum):
    """What a person is asked to do."""

    COLD = "cold"
    WARM_JUNCTION = "warm-junction"
    LIFT_BOTTLE = "lift-bottle"
    RETURN_BOTTLE = "return-bottle"
    PRESS = "press"
    LET_GO = "let-go"
    FAN_ON = "fan-on"
    FAN_OFF = "fan-off"
    IRON_OUT = "iron-out"


class Sight(StrEnum):
    """What a person is asked to have seen; the answer yes is always what should be."""

    RED = "red"
    AMBER = "amber"
    GREEN = "green"
    BLUE = "blue"
    BUZZER = "buzzer"
    DARK = "dark"
    IRON_ON = "iron-on"
    IRON_OFF = "iron-off"
    LAMPS = "lamps"
    PLATE = "plate"


class Person(Protocol):
    """Whoever stands at the bench."""

    def tell(self, text: str) -> None:
        """Say something that asks nothing."""

    def do(self, act: Act, text: str) -> None:
        """Ask for an act; returns when the person says it is being done."""

    def sees(self, sight: Sight, text: str) -> bool:
        """Ask whether something can be seen or heard."""
