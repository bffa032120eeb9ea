"""The walk through the wiring of a bench, one verdict after another.

Every input is seen in both states, every output by a person; the permit is tried with and without its
heartbeat, and last with the program killed while it holds it. Outputs are safe between the checks.
"""

from collections.abc import Callable, Iterator
from typing import Literal

from shared.indication import SAFE, Levels
from station.commissioning.parties import Act, Holder, Look, Pattern, Person, Sight, Wires
from station.commissioning.verdicts import (
    RISE_C,
    Verdict,
    floor,
    plate_answers,
    polarity,
    rise_c,
    running,
    two_states,
    verdict,
)
from station.rules.limits import ExtractionLimits

# Ticks of a tenth of a second.
STEADY_TICKS, WARM_TICKS, WAIT_TICKS, SPIN_UP_TICKS = 30, 300, 100, 50

PLACES = (
    (Sight.RED, "the red lamp (top)"),
    (Sight.AMBER, "the amber lamp (second from the top)"),
    (Sight.GREEN, "the green lamp (third)"),
    (Sight.BLUE, "the blue lamp (bottom)"),
)


def walk(
    wires: Wires,
    person: Person,
    limits: ExtractionLimits,
    extraction: Literal["ct-waveform", "dc-level", "contact"],
) -> Iterator[Verdict]:
    """Everything that can be seen with the program alive.

    Args:
        wires: of the bench.
        person: who acts and answers.
        limits: of the extraction, for what is proven and lost.
        extraction: what speaks for the extractor.
    """
    yield from plate(wires, person)
    yield cradle(wires, person)
    yield acknowledge(wires, person)
    yield from (contact(wires, person) if extraction == "contact" else fan(wires, person, limits))
    yield from lamps(wires, person)
    yield from permit(wires, person)


def looks(wires: Wires, ticks: int) -> list[Look]:
    """So many looks, a tenth of a second apart."""
    return [wires.look() for _ in range(ticks)]


def seen(wires: Wires, value: Callable[[Look], bool | None], wanted: bool) -> bool | None:
    """Wait for an input to say what is wanted; what it said in the end."""
    found = None
    for _ in range(WAIT_TICKS):
        found = value(wires.look())
        if found is wanted:
            break
    return found


def plate(wires: Wires, person: Person) -> Iterator[Verdict]:
    """Reading and polarity of the thermocouple, on a cold plate."""
    person.do(Act.COLD, "The plate must be cold: switched off, and at the temperature of the room.")
    before = [look.plate for look in looks(wires, STEADY_TICKS)]
    answer = plate_answers(before)
    yield answer
    if answer.outcome != "passed":
        yield Verdict(
            name="plate-polarity", outcome="skipped", detail="the plate gives no believable reading"
        )
        return
    person.do(
        Act.WARM_JUNCTION,
        "Warm the thermocouple's tip by hand, between finger and thumb, and go on holding it "
        "(on a cold plate only).",
    )
    moved_c = None
    for _ in range(WARM_TICKS):
        now_c = rise_c(before, wires.look().plate)
        moved_c = now_c if now_c is not None else moved_c
        if now_c is not None and abs(now_c) >= 2 * RISE_C:
            break
    yield polarity(moved_c)


def cradle(wires: Wires, person: Person) -> Verdict:
    """The cradle with the bottle in it, out of it, and in it again."""

    def out(look: Look) -> bool | None:
        return look.solvent_out

    found = []
    person.do(Act.RETURN_BOTTLE, "Stand the closed solvent bottle in its cradle.")
    found.append(seen(wires, out, False))
    person.do(Act.LIFT_BOTTLE, "Lift the bottle out of its cradle and keep it out.")
    found.append(seen(wires, out, True))
    person.do(Act.RETURN_BOTTLE, "Put the bottle back.")
    found.append(seen(wires, out, False))
    words = ((False, "with the bottle in"), (True, "with the bottle out"), (False, "with it in again"))
    return two_states("cradle", found, words)


def acknowledge(wires: Wires, person: Person) -> Verdict:
    """The button untouched, pressed, and let go."""

    def down(look: Look) -> bool | None:
        return look.pressed

    found = []
    person.do(Act.LET_GO, "Keep your hands off the acknowledge button.")
    found.append(seen(wires, down, False))
    person.do(Act.PRESS, "Press the acknowledge button and hold it down.")
    found.append(seen(wires, down, True))
    person.do(Act.LET_GO, "Let go of the button.")
    found.append(seen(wires, down, False))
    return two_states("acknowledge", found, ((False, "untouched"), (True, "pressed"), (False, "let go")))


FAN_OFF = "Switch the extractor off and wait until it stands still."
FAN_ON = "Switch the extractor on, hood and flap as in work."


def contact(wires: Wires, person: Person) -> Iterator[Verdict]:
    """A current switch: open, closed, open."""

    def closed(look: Look) -> bool | None:
        return look.extraction.closed

    found = []
    for act, text, wanted in (
        (Act.FAN_OFF, FAN_OFF, False),
        (Act.FAN_ON, FAN_ON, True),
        (Act.FAN_OFF, FAN_OFF, False),
    ):
        person.do(act, text)
        found.append(seen(wires, closed, wanted))
    words = ((False, "open with the fan off"), (True, "closed with it on"), (False, "open again"))
    yield two_states("extraction-contact", found, words)


def fan(wires: Wires, person: Person, limits: ExtractionLimits) -> Iterator[Verdict]:
    """The motor's current: floor, running, and gone again."""

    def drawing(look: Look) -> bool | None:
        current_a = look.extraction.extraction_a
        return None if current_a is None else current_a >= limits.lost_a

    person.do(Act.FAN_OFF, FAN_OFF)
    yield floor([look.extraction for look in looks(wires, STEADY_TICKS)], limits)
    person.do(Act.FAN_ON, FAN_ON)
    looks(wires, SPIN_UP_TICKS)
    yield running([look.extraction for look in looks(wires, STEADY_TICKS)], limits)
    person.do(Act.FAN_OFF, "Switch the extractor off again.")
    yield two_states("extraction-stops", [seen(wires, drawing, False)], [(False, "below lost_a when off")])


def lamps(wires: Wires, person: Person) -> Iterator[Verdict]:
    """Each lamp alone, the buzzer alone, and all dark."""
    for sight, place in PLACES:
        with wires.showing(steady(Levels(**{sight.value: True}))):
            good = person.sees(sight, f"Is {place} lit, and no other?")
        yield _by_eye(f"lamp-{sight}", good)
    with wires.showing(lambda tick: Levels(buzzer=tick % 10 < 3)):
        good = person.sees(Sight.BUZZER, "Does the buzzer sound in short pulses?")
    yield _by_eye("buzzer", good)
    with wires.showing(steady(SAFE)):
        good = person.sees(Sight.DARK, "Are all four lamps dark and the buzzer silent?")
    yield _by_eye("all-dark", good)


IRON_OUT = (
    "The iron's socket will now have power for a moment. Unplug the iron, lay it in its stand, and plug a "
    "lamp or a meter of the right rating into the socket instead. Keep solvent away."
)


def permit(wires: Wires, person: Person) -> Iterator[Verdict]:
    """The permit relay: at rest, energised, and without its heartbeat."""
    person.do(Act.IRON_OUT, IRON_OUT)
    with wires.showing(steady(SAFE)):
        rests = person.sees(Sight.IRON_OFF, "At rest: is the iron's socket dead?")
    with wires.showing(energised):
        comes = person.sees(Sight.IRON_ON, "Permit given: is the iron's socket live?")
    why = "the socket stays dead when the permit is given" if rests else "the socket is live at rest"
    yield _by_eye("permit", rests and comes, why)
    if not comes:
        yield Verdict(name="heartbeat", outcome="skipped", detail="the permit could not be seen to come")
        return
    with wires.showing(steady(Levels(permit=True))):
        falls = person.sees(
            Sight.IRON_OFF, "Permit given, heartbeat stopped: is the socket dead again after two seconds?"
        )
    why = "the permit stays without a heartbeat: a station that hangs would leave the iron on"
    yield _by_eye("heartbeat", falls, why)


def steady(levels: Levels) -> Pattern:
    """The same levels at every tick."""
    return lambda _tick: levels


def energised(tick: int) -> Levels:
    """The permit with a heartbeat that turns over at every tick."""
    return Levels(permit=True, heartbeat=tick % 2 == 0)


def killed(holder: Holder, person: Person) -> Verdict:
    """The permit after the program that held it was killed; the wires are let go before this."""
    name = "permit-killed"
    person.tell(
        "A program of its own now holds the permit, and is then killed without any chance to let go, as in a "
        "crash. The pin may stay as it was; resistor, monostable and strict_gpiod must switch the iron off."
    )
    alive = holder.killed(lambda: person.sees(Sight.IRON_ON, "Is the iron's socket live now?"))
    dead = person.sees(Sight.IRON_OFF, "The program was killed: is the socket dead, two seconds later?")
    if not alive:
        return verdict(name, False, "the permit was never seen given, so that its fall proves nothing")
    return _by_eye(name, dead, "the iron stays on when the station dies: do not use the bench")


def _by_eye(name: str, good: bool, why: str | None = None) -> Verdict:
    return verdict(name, good, "confirmed" if good else why or "not confirmed")
