"""How long extraction was proven, and every stretch of soldering with and without that proof.

Told from events alone: the station writes when the proof came and went, and when a solder step ran, was held
and ended. What should come out is that no soldering was without proof; this is where it would show.
"""

from collections.abc import Iterable
from typing import NamedTuple

from shared import events
from shared.events import Event
from shared.timeline import Moment


class Soldering(NamedTuple):
    """One run of a solder step: when it began, what it was on, by whom, and its time in ms by proof."""

    begun: Moment
    unit: str
    step: str
    technician: str | None
    proven_ms: int
    unproven_ms: int


class Proof(NamedTuple):
    """Time with proof, how often it was lost, and the soldering."""

    proven_ms: int
    losses: int
    soldering: tuple[Soldering, ...]

    @property
    def soldering_ms(self) -> int:
        """All soldering."""
        return sum(run.proven_ms + run.unproven_ms for run in self.soldering)

    @property
    def share(self) -> float | None:
        """The share of soldering with proof; None without any."""
        whole_ms = self.soldering_ms
        return sum(run.proven_ms for run in self.soldering) / whole_ms if whole_ms else None


class _Walk:
    """What is known while the events go by."""

    def __init__(self, solder_steps: frozenset[str]) -> None:
        self._steps = solder_steps
        self._last: Moment | None = None
        self._proven = False
        self._running: dict[str, Soldering] = {}
        self._held: set[str] = set()
        self.proven_ms = self.losses = 0
        self.done: list[Soldering] = []

    def take(self, moment: Moment, body: Event) -> None:
        """One event more."""
        self._pass_time(moment)
        if isinstance(body, events.StationStarted):
            self._proven = False
        elif isinstance(body, events.ExtractionProven):
            self._proven = True
        elif isinstance(body, events.ExtractionLost):
            self._proven = False
            self.losses += 1
        elif isinstance(body, events.StepStarted) and body.step in self._steps:
            self._running[body.unit] = Soldering(moment, body.unit, body.step, body.technician, 0, 0)
        elif isinstance(body, events.StepHeld) and body.unit in self._running:
            self._held.add(body.unit)
        elif isinstance(body, events.StepResumed):
            self._held.discard(body.unit)
        elif isinstance(body, events.StepFinished | events.StepAbandoned) and body.unit in self._running:
            self.done.append(self._running.pop(body.unit))
            self._held.discard(body.unit)

    def _pass_time(self, moment: Moment) -> None:
        last, self._last = self._last, moment
        if last is None or last.boot != moment.boot:
            return  # nothing is known of the time between boots, and a step comes back held
        passed_ms = moment.mono_ms - last.mono_ms
        self.proven_ms += passed_ms if self._proven else 0
        for unit in self._running.keys() - self._held:
            run = self._running[unit]
            if self._proven:
                self._running[unit] = run._replace(proven_ms=run.proven_ms + passed_ms)
            else:
                self._running[unit] = run._replace(unproven_ms=run.unproven_ms + passed_ms)

    def finish(self) -> Proof:
        """Everything, runs still open included."""
        return Proof(self.proven_ms, self.losses, (*self.done, *self._running.values()))


def proof(history: Iterable[tuple[int, Moment, Event]], solder_steps: Iterable[str]) -> Proof:
    """The proof of extraction and the soldering of a history of (seq, moment, event), oldest first.

    Args:
        history: the events.
        solder_steps: the keys of the sheet's solder steps.
    """
    walk = _Walk(frozenset(solder_steps))
    for _, moment, body in history:
        walk.take(moment, body)
    return walk.finish()
