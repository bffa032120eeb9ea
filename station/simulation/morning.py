"""A working morning at the simulated bench, with its mishaps: what a technician's hands and words do.

Hands act on the simulated plant; words go to the station as requests, over the broker like anybody's. The
scenario, the people and the units are invented.
"""

import threading
from collections.abc import Callable, Iterator

from shared.messages import Answer
from shared.wording import reason_text
from station.clock import Clock
from station.simulation.bench import SimulatedBench
from station.simulation.wires import Fault

TECHNICIAN = "T-07"
LOOK_S = 0.05
SETPOINT_C = 100.0


class Stopped(Exception):  # noqa: N818 - nothing is wrong: the morning is over
    """The demo ends while the morning is still going on."""


class Hands:
    """One technician at the simulated bench. Waits are in simulated time."""

    def __init__(
        self,
        plant: SimulatedBench,
        clock: Clock,
        ask: Callable[[str], Answer | None],
        tell: Callable[[str], None],
        stop: threading.Event,
    ) -> None:
        """Take the bench.

        Args:
            plant: what the hands move.
            clock: simulated time.
            ask: puts a request to the station and brings the answer.
            tell: prints a line of the story.
            stop: ends the morning at the next wait.
        """
        self.plant, self._clock, self._ask, self._tell, self._stop = plant, clock, ask, tell, stop

    def wait(self, seconds: float) -> None:
        """Let simulated time pass.

        Raises:
            Stopped: the demo is to end.
        """
        end_s = self._clock.mono_s() + seconds
        while self._clock.mono_s() < end_s:
            if self._stop.wait(LOOK_S):
                raise Stopped

    def say(self, request: str) -> bool:
        """Put a request to the station; True when it was carried out."""
        if self._stop.is_set():
            raise Stopped
        answer = self._ask(request)
        minutes, seconds = divmod(int(self._clock.mono_s()), 60)
        if answer is None:
            outcome = "no answer"
        elif answer.accepted:
            outcome = "done"
        else:
            outcome = "refused. " + " ".join(reason_text(reason) for reason in answer.reasons)
        self._tell(f"  {minutes:3d}:{seconds:02d}  {request}: {outcome}")
        return answer is not None and answer.accepted

    def note(self, text: str) -> None:
        """Tell what the hands do."""
        minutes, seconds = divmod(int(self._clock.mono_s()), 60)
        self._tell(f"  {minutes:3d}:{seconds:02d}  ({text})")

    def lift_bottle(self, seconds: float) -> None:
        """Take the solvent bottle, use it for a while, and put it back."""
        self.plant.bottle_out = True
        self.wait(seconds)
        self.plant.bottle_out = False


def work(hands: Hands) -> None:
    """Morning after morning, until the demo ends."""
    try:
        for first, second in _unit_names():
            morning(hands, first, second)
    except Stopped:
        return


def _unit_names() -> Iterator[tuple[str, str]]:
    number = 201
    while True:
        yield f"LK-{number}", f"LK-{number + 1}"
        number += 2


def morning(hands: Hands, first: str, second: str) -> None:
    """One unit from intake to cure, and a second one that meets a welded thermostat; about 45 minutes."""
    hands.wait(5)
    hands.say(f"sign-in technician={TECHNICIAN}")
    hands.say(f"book-in unit={first} model=6.4-inch-oled job=J-{first[3:]}")
    _simple(hands, "intake", 25, "grade=B")
    hands.note("reaches for the iron with the extractor still off")
    hands.say("start step=solder")
    hands.wait(10)
    hands.note("switches the extractor and the plate on")
    hands.plant.fan.start()
    hands.plant.plate.setpoint_c = SETPOINT_C
    hands.wait(15)
    _frame_off(hands, first)
    _separate(hands)
    _simple(hands, "check-1", 30)
    _strip(hands, first)
    _clean(hands)
    for key in ("laminate", "debubble", "check-2"):
        _simple(hands, key, 30)
    _solder(hands)
    _simple(hands, "bond", 150)
    hands.say("start step=cure")
    _welded_thermostat(hands, second)
    hands.wait(130)
    hands.note("switches the extractor off after its run-on")
    hands.plant.fan.stop()
    hands.say("sign-out")
    hands.wait(60)


def _simple(hands: Hands, key: str, seconds: float, finding: str = "") -> None:
    if hands.say(f"start step={key}"):
        hands.wait(seconds)
        hands.say(f"finish step={key} result=pass {finding}".strip())


def _frame_off(hands: Hands, unit: str) -> None:
    hands.say(f"place unit={unit}")
    hands.plant.plate.lay_panel()
    hands.say("start step=frame-off")
    hands.wait(240)
    hands.note("wets the edge with solvent; the sheet allows it here, extracted")
    hands.lift_bottle(8)
    hands.say("finish step=frame-off result=pass")
    hands.note("waits for the soak")
    hands.wait(230)
    hands.say("finish step=frame-off result=pass")


def _separate(hands: Hands) -> None:
    hands.say("start step=separate")
    hands.wait(60)
    hands.note("snags the thermocouple's wire")
    hands.plant.fault(Fault.PLATE_OPEN)
    hands.wait(8)
    hands.note("plugs it in again, presses the button")
    hands.plant.heal(Fault.PLATE_OPEN)
    hands.wait(5)
    hands.plant.press_acknowledge()
    hands.wait(2)
    hands.say("resume")
    hands.wait(120)
    hands.say("finish step=separate result=pass")


def _strip(hands: Hands, unit: str) -> None:
    hands.say("start step=strip")
    hands.wait(40)
    hands.lift_bottle(10)
    hands.note("the thermostat drifts upwards")
    hands.plant.plate.setpoint_c = SETPOINT_C + 8
    hands.wait(45)
    hands.plant.plate.setpoint_c = SETPOINT_C
    hands.say("ack")
    hands.wait(120)
    hands.say("finish step=strip result=pass")
    hands.say(f"remove unit={unit}")
    hands.plant.plate.lift_panel()
    hands.plant.plate.setpoint_c = None


def _clean(hands: Hands) -> None:
    hands.say("start step=clean")
    hands.note("lifts the solvent beside a plate that is still hot")
    hands.lift_bottle(12)
    hands.wait(5)
    hands.say("ack")
    hands.wait(80)
    hands.say("finish step=clean result=pass")


def _solder(hands: Hands) -> None:
    hands.wait(120)
    hands.note("the bottle stands on the bench, uncradled")
    hands.plant.bottle_out = True
    hands.wait(3)
    hands.say("start step=solder")
    hands.wait(10)
    hands.plant.bottle_out = False
    hands.wait(3)
    hands.say("start step=solder")
    hands.wait(60)
    hands.note("the extractor dies")
    hands.plant.fan.stop()
    hands.wait(15)
    hands.plant.press_acknowledge()
    hands.say("resume")
    hands.note("resets the extractor's breaker")
    hands.plant.fan.start()
    hands.wait(15)
    hands.say("resume")
    hands.wait(90)
    hands.say("finish step=solder result=pass flex=tested")


def _welded_thermostat(hands: Hands, unit: str) -> None:
    hands.say(f"book-in unit={unit} model=5.9-inch-lcd job=J-{unit[3:]}")
    _simple(hands, "intake", 25, "grade=A")
    hands.plant.plate.setpoint_c = SETPOINT_C
    hands.plant.plate.lay_panel()
    hands.say("start step=frame-off")
    hands.wait(150)
    hands.note("the thermostat's contact welds: the heater no longer switches off")
    hands.plant.plate.stuck_on = True
    hands.wait(75)
    hands.note("pulls the heater's plug, lifts the panel")
    hands.plant.plate.heater_share = 0.0
    hands.plant.plate.stuck_on = False
    hands.plant.plate.setpoint_c = None
    hands.say(f"remove unit={unit}")
    hands.plant.plate.lift_panel()
    hands.say("ack")
    hands.wait(60)
    hands.say("reset")
    hands.say('abandon reason="plate ran away to its limit"')
    hands.say(f'close unit={unit} outcome=scrapped reason="overheated on the plate"')
    hands.plant.plate.heater_share = 1.0
