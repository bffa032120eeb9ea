"""`benchward check --shift`: the minute before a shift, against the station that runs."""

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import click
from msgspec.structs import replace

from shared.messages import Answer, StationState
from shared.problems import FailureError
from shared.requests import parse_text
from station.bootstrap import Station, simulated_station
from station.cli.at_the_bench import AnsweringByHand, AtTheBench
from station.cli.book import book_for
from station.cli.verdict_line import verdict_line
from station.clock import Clock
from station.commissioning.parties import Person
from station.commissioning.shift import Running, recorded, shift_check
from station.daemon import Asking
from station.link.onlooker import Onlooker
from station.settings import Settings
from station.simulation.bench import SimulatedBench
from station.simulation.helper import FLAWS, SimulatedHelper, SimulatedRoom

SPEED, TICK_MS, STATE_TICKS = 100.0, 100, 10


class SimulatedRunning:
    """A station on simulated wires in this process; it lives for a second whenever its state is asked for."""

    def __init__(self, station: Station, clock: Clock, room: SimulatedRoom, shown: "Newest") -> None:
        self._station, self._clock, self._room, self._shown = station, clock, room, shown

    def state(self) -> StationState:
        """The snapshot after the next second."""
        self._live(STATE_TICKS)
        if self._shown.state is None:
            raise FailureError("The simulated station has shown nothing yet.")
        return self._shown.state

    def ask(self, request: str) -> Answer:
        """The station's answer, once its event is on disk."""
        answers: list[Answer] = []
        self._room.seen = set()
        self._station.inbox.put(Asking(parse_text(request), answers.append))
        self._live(1)
        self._station.journal.flush(5.0)
        if not answers:
            raise FailureError(f"The simulated station does not answer {request!r}.")
        return answers[0]

    def _live(self, ticks: int) -> None:
        for _ in range(ticks):
            self._clock.sleep_until_ms(self._clock.mono_ms() + TICK_MS)
            self._station.daemon.tick()
            self._room.observe(self._clock.mono_s())


class Newest:
    """Keeps the newest snapshot."""

    up: bool | None = None
    fault: str | None = None
    backlog: tuple[int, int] | None = None
    state: StationState | None = None

    def show(self, state: StationState) -> None:
        """Keep it."""
        self.state = state


@contextmanager
def simulated_running(settings: Settings, faults: frozenset[str]) -> Iterator[tuple[Running, SimulatedRoom]]:
    """A running station on simulated wires, its journal in a folder that goes away."""
    with tempfile.TemporaryDirectory() as folder:
        journal = replace(settings.journal, path=str(Path(folder) / "shift.db"))
        settings = replace(settings, journal=journal)
        shown = Newest()
        station, plant, clock = simulated_station(
            settings, book_for(settings), speed=SPEED, seed=3, linked=False, shown=shown
        )
        room = _room(plant, faults)
        with station:
            yield SimulatedRunning(station, clock, room, shown), room


def _room(plant: SimulatedBench, faults: frozenset[str]) -> SimulatedRoom:
    for fault in faults - set(FLAWS):
        plant.fault(fault)
    return SimulatedRoom(plant, faults & set(FLAWS))


def check_shift(
    settings: Settings, by: str, *, simulate: bool, yes: bool, faults: tuple[str, ...], form: str
) -> None:
    """Try the running bench, print a verdict a line, and let the station record them.

    Raises:
        FailureError: something failed, or the station is not heard.
    """
    if simulate:
        with simulated_running(settings, frozenset(faults)) as (running, room):
            _checked(running, SimulatedHelper(room) if yes else AnsweringByHand(room), by, form)
    else:
        with Onlooker(settings.broker, settings.station.id) as onlooker:
            onlooker.state()  # the retained one may be of a station that has stopped
            _checked(onlooker, AtTheBench(), by, form)


def _checked(running: Running, person: Person, by: str, form: str) -> None:
    verdicts = []
    for found in shift_check(running, person):
        verdicts.append(found)
        click.echo(verdict_line(found, form))
    seq = recorded(running, by, verdicts)
    click.echo(f"Recorded by the station as event {seq}.", err=True)
    failed = [each.name for each in verdicts if each.outcome == "failed"]
    if failed:
        raise FailureError(f"Not fit for the shift: {', '.join(failed)} failed. Tell the safety lead.")
    click.echo(f"All {len(verdicts)} passed.", err=True)
