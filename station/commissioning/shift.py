"""The minute before a shift, with the station running: lamps, buzzer, extraction, plate and permit are tried.

Unlike the walk through the wiring it goes through the whole station: the extractor is proven by the rules,
and the rules drop the permit. What was found is recorded by the station itself.
"""

from collections.abc import Callable, Iterator
from typing import Protocol

from shared.messages import Answer, StationState
from shared.problems import FailureError
from station.commissioning.parties import Act, Person, Sight
from station.commissioning.verdicts import Verdict, verdict

PROVING_S, DROPPING_S = 30.0, 20.0


class Running(Protocol):
    """A station that runs."""

    def state(self) -> StationState:
        """Its next snapshot, a second from the last at most.

        Raises:
            FailureError: it is not heard.
        """

    def ask(self, request: str) -> Answer:
        """Ask it for something.

        Raises:
            FailureError: it does not answer.
        """


def shift_check(station: Running, person: Person) -> Iterator[Verdict]:
    """Plate, lamps, buzzer, extraction, and the permit that falls with it.

    Raises:
        FailureError: a step is running, or the station is not heard.
    """
    first = station.state()
    if first.step is not None and first.step.kind != "cure":
        raise FailureError(
            f"{first.station}: step {first.step.key!r} is running; the check switches the extractor off. "
            "Finish or abandon the step first."
        )
    yield _plate(first, person)
    yield from _lights(station, person)
    yield from _extraction(station, person)


def recorded(station: Running, by: str, verdicts: list[Verdict]) -> int | None:
    """Hand the verdicts to the station; the event in which they are recorded.

    Raises:
        FailureError: it was refused.
    """
    words = ",".join(f"{each.name}={each.outcome}" for each in verdicts)
    answer = station.ask(f"shift-check by={by} verdicts={words}")
    if not answer.accepted:
        raise FailureError(f"The station would not record the check: {', '.join(answer.reasons)}.")
    return answer.seq


def _plate(state: StationState, person: Person) -> Verdict:
    plate_c = state.plate.plate_c
    if plate_c is None:
        return verdict("plate", False, f"no valid reading: {state.plate.quality}")
    good = person.sees(
        Sight.PLATE,
        f"The plate reads {plate_c:.1f} °C. Is that likely (a cold plate: the room's temperature)?",
    )
    return verdict("plate", good, f"{plate_c:.1f} °C" + ("" if good else ", not believed"), plate_c=plate_c)


def _lights(station: Running, person: Person) -> Iterator[Verdict]:
    person.tell("Watch the station light: all four lamps and the buzzer come on for three seconds.")
    answer = station.ask("lamp-test")
    if not answer.accepted:
        why = f"the lamp test was refused: {', '.join(answer.reasons)}"
        yield Verdict(name="lamps", outcome="failed", detail=why)
        yield Verdict(name="buzzer", outcome="skipped", detail=why)
        return
    station.state()
    lit = person.sees(Sight.LAMPS, "Did all four lamps light: red, amber, green, blue from the top?")
    yield verdict("lamps", lit, "all four seen" if lit else "not all seen")
    heard = person.sees(Sight.BUZZER, "Did the buzzer sound?")
    yield verdict("buzzer", heard, "heard" if heard else "not heard")


def _extraction(station: Running, person: Person) -> Iterator[Verdict]:
    person.do(Act.FAN_ON, "Switch the extractor on.")
    state = _until(station, PROVING_S, lambda state: state.extraction.proven and state.permit)
    current_a = state.extraction.extraction_a
    drawn = "" if current_a is None else f" at {current_a:.2f} A"
    proven = state.extraction.proven
    yield verdict("extraction", proven, ("proven" if proven else f"not proven in {PROVING_S:g} s") + drawn)
    if not state.permit:
        reasons = [reason for lock in state.locked if lock.what == "iron-power" for reason in lock.reasons]
        why = f"the permit never came: {', '.join(reasons) or 'no reason given'}"
        yield Verdict(name="permit-drops", outcome="failed", detail=why)
        return
    live = person.sees(Sight.IRON_ON, "Does the iron have power (its own light, or warmth in its stand)?")
    person.do(Act.FAN_OFF, "Switch the extractor off, and wait a few seconds.")
    state = _until(station, DROPPING_S, lambda state: not state.extraction.proven and not state.permit)
    if state.permit:
        why = f"the permit still stands {DROPPING_S:g} s after the extractor was switched off"
        yield Verdict(name="permit-drops", outcome="failed", detail=why)
        return
    dead = person.sees(Sight.IRON_OFF, "Is the iron dead now?")
    why = "the iron had no power before" if not live else "the iron keeps its power: do not use the bench"
    yield verdict("permit-drops", live and dead, "with the extractor" if live and dead else why)


def _until(station: Running, limit_s: float, true: Callable[[StationState], bool]) -> StationState:
    """The first snapshot of which something is true, or the last one after a while of the station's time."""
    state = station.state()
    end_s = state.mono_s + limit_s
    while not true(state) and state.mono_s < end_s:
        state = station.state()
    return state
