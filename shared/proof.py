"""How long extraction was proven, and every stretch of soldering with and without that proof.

Told from events alone: the station writes when the proof came and went, and when a solder step ran, was held
and ended. What should come out is that no soldering was without proof; this is where it would show.
"""

from collections.abc import Iterable, Mapping
from typing import NamedTuple

from shared import events
from shared.events import Event
from shared.timeline import Moment


class Soldering(NamedTuple):
    """One run of a solder step: when it began, what it was on, by whom, and its time in ms by proof.

    ``losses``: how often proof was lost while it ran, also where the step was held in the same moment.
    """

    begun: Moment
    unit: str
    step: str
    technician: str | None
    proven_ms: int
    unproven_ms: int
    losses: int = 0


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
    def losses_in_soldering(self) -> int:
        """How often proof was lost while somebody soldered."""
        return sum(run.losses for run in self.soldering)

    @property
    def share(self) -> float | None:
        """The share of soldering with proof; None without any."""
        whole_ms = self.soldering_ms
        return sum(run.proven_ms for run in self.soldering) / whole_ms if whole_ms else None


class _Walk:
    """What is known while the events go by."""

    def __init__(
        self, solder_steps: frozenset[str], from_ms: int | None, to_ms: int | None, ends: Mapping[str, int]
    ) -> None:
        self._steps = solder_steps
        self._from_ms, self._to_ms = from_ms, to_ms
        self._ends = ends
        self._last: Moment | None = None
        self._proven = False
        self._running: dict[str, Soldering] = {}
        self._held: set[str] = set()
        self.proven_ms = self.losses = 0
        self.done: list[Soldering] = []

    def take(self, moment: Moment, body: Event) -> None:
        """One event more."""
        self._pass_time(moment, started=isinstance(body, events.StationStarted))
        if isinstance(body, events.StationStarted):
            self._proven = False
        elif isinstance(body, events.ExtractionProven):
            self._proven = True
        elif isinstance(body, events.ExtractionLost):
            self._lose(moment)
        elif isinstance(body, events.StepStarted):
            self._over(body.unit)
            if self._is_soldering(body):
                self._running[body.unit] = Soldering(moment, body.unit, body.step, body.technician, 0, 0)
        elif isinstance(body, events.StepHeld) and body.unit in self._running:
            self._held.add(body.unit)
        elif isinstance(body, events.StepResumed):
            self._held.discard(body.unit)
        elif isinstance(body, events.StepFinished | events.StepAbandoned):
            self._over(body.unit)

    def _is_soldering(self, body: events.StepStarted) -> bool:
        """By the work it began as; a sheet that was changed since says nothing about it."""
        return body.step in self._steps if body.work is None else body.work == "solder"

    def _lose(self, moment: Moment) -> None:
        self._proven = False
        if not self._counts(moment):
            return
        self.losses += 1
        for unit in self._running.keys() - self._held:
            run = self._running[unit]
            self._running[unit] = run._replace(losses=run.losses + 1)

    def _counts(self, moment: Moment) -> bool:
        """Whether the moment lies in the period; one without a date lies in none."""
        if self._from_ms is None and self._to_ms is None:
            return True
        if moment.wall_ms is None or (self._from_ms is not None and moment.wall_ms < self._from_ms):
            return False
        return self._to_ms is None or moment.wall_ms < self._to_ms

    def _over(self, unit: str) -> None:
        """Nothing of what ran on a unit goes on: it ended, or another step began there."""
        if unit in self._running:
            self._end(self._running.pop(unit))
        self._held.discard(unit)

    def _end(self, run: Soldering) -> None:
        """Keep a run, if anything of it lies in the period."""
        if run.proven_ms or run.unproven_ms or run.losses or self._counts(run.begun):
            self.done.append(run)

    def _pass_time(self, moment: Moment, started: bool) -> None:
        last, self._last = self._last, moment
        if last is None:
            return
        if last.boot != moment.boot:
            # A step comes back held after a start. Until when the boot before ran, only its readings know.
            self._pass(last, self._ends.get(last.boot, last.mono_ms))
        elif not started:  # what was before a start within the boot is not known: it was not watched
            self._pass(last, moment.mono_ms)

    def _pass(self, last: Moment, until_ms: int) -> None:
        """Count what lies in the period of the time from a moment until a time of the same boot."""
        begin_ms, end_ms = last.mono_ms, until_ms
        if self._from_ms is not None or self._to_ms is not None:
            if last.wall_ms is None:
                return
            offset_ms = last.wall_ms - last.mono_ms
            begin_ms = begin_ms if self._from_ms is None else max(begin_ms, self._from_ms - offset_ms)
            end_ms = end_ms if self._to_ms is None else min(end_ms, self._to_ms - offset_ms)
        passed_ms = max(0, end_ms - begin_ms)
        self.proven_ms += passed_ms if self._proven else 0
        for unit in self._running.keys() - self._held:
            run = self._running[unit]
            if self._proven:
                self._running[unit] = run._replace(proven_ms=run.proven_ms + passed_ms)
            else:
                self._running[unit] = run._replace(unproven_ms=run.unproven_ms + passed_ms)

    def finish(self) -> Proof:
        """Everything, runs still open included, up to the last that is known of the last boot."""
        if self._last is not None:
            self._pass(self._last, self._ends.get(self._last.boot, self._last.mono_ms))
        for run in self._running.values():
            self._end(run)
        return Proof(self.proven_ms, self.losses, tuple(self.done))


def proof(
    history: Iterable[tuple[int, Moment, Event]],
    solder_steps: Iterable[str],
    from_ms: int | None = None,
    to_ms: int | None = None,
    ends: Mapping[str, int] | None = None,
) -> Proof:
    """The proof of extraction and the soldering of a history of (seq, moment, event), oldest first.

    Args:
        history: the events; with a period, those before and after it too: how things stood at its edges
            is known only from them.
        solder_steps: the keys of the sheet's solder steps, for records that do not tell a step's work.
        from_ms: only what lies from this time on (Unix ms) counts.
        to_ms: only what lies before this time (Unix ms) counts.
        ends: by boot, until when on its monotonic clock (ms) the station is known to have run; without it,
            the time after a boot's last event counts for nothing.
    """
    walk = _Walk(frozenset(solder_steps), from_ms, to_ms, ends or {})
    for _, moment, body in history:
        walk.take(moment, body)
    return walk.finish()
