"""One tick under way: what it knows, and the events it has told so far.

Emitting an event is the only way to change durable state here too: `emit` appends the event and applies it,
so that the state can never differ from the fold of what is recorded.
"""

from typing import NamedTuple

from shared.events import EventBody
from shared.readings import Reading
from shared.sheet import Sheet, Step
from shared.timeline import Moment, to_ms
from station.rules.alarms import STANDING
from station.rules.causes import Cause, Effect
from station.rules.conditions import Facts
from station.rules.fold import apply
from station.rules.limits import Limits
from station.rules.state import Durable, Life, Run, State, Timer


class Book(NamedTuple):
    """What a station goes by: its limits, its process sheet, and how sure it is of the plate.

    ``uncertainty_c``: expanded uncertainty (k = 2) of the plate reading, °C; None where nobody worked it out.
    ``wires``: fingerprint of the wiring; None where there are no wires of a station (a replay).
    """

    limits: Limits
    sheet: Sheet
    uncertainty_c: float | None = None
    wires: str | None = None


def elapsed_ms(run: Run, now: Moment) -> int | None:
    """Time since a step began, or None where it cannot be told.

    Within one boot the monotonic clock tells it. Across boots only wall time can, and only where both ends
    are known.
    """
    if run.started.boot == now.boot:
        return now.mono_ms - run.started.mono_ms
    if run.started.wall_ms is None or now.wall_ms is None:
        return None
    return max(0, now.wall_ms - run.started.wall_ms)


class Tick:
    """A tick being decided. Mutable, and never outlives the call of `decide` that made it."""

    def __init__(self, book: Book, state: State, reading: Reading, now: Moment) -> None:
        self.book = book
        self.now = now
        self.reading = reading
        self.durable: Durable = state.durable
        self.watch = state.watch
        self.events: list[EventBody] = []
        self.asker: str | None = None
        """Who asks for what is being carried out, where the request says so."""

    @property
    def technician(self) -> str | None:
        """Whose doing this is: the asker's, or else that of the technician signed in at the bench."""
        return self.asker or self.durable.technician

    def emit(self, body: EventBody) -> None:
        """Tell one event and let it act on the durable state."""
        self.events.append(body)
        self.durable = apply(self.durable, self.now, body)

    @property
    def run(self) -> Run | None:
        """The step under way on the unit in hand."""
        return self.durable.run

    @property
    def step(self) -> Step | None:
        """The sheet's step under way on the unit in hand."""
        run = self.durable.run
        return self.book.sheet.find(run.step) if run is not None else None

    @property
    def hurry(self) -> bool:
        """Whether most of an adhesive's open time, or all of a heat step's longest time, has passed."""
        step, run = self.step, self.run
        if step is None or run is None:
            return False
        share = self.book.limits.alarms.open_time_warning
        limits_min = [(step.open_time_min or 0) * share, step.max_min or 0]
        due_ms = [to_ms(limit_min * 60) for limit_min in limits_min if limit_min]
        passed_ms = elapsed_ms(run, self.now)
        return passed_ms is not None and any(passed_ms >= limit_ms for limit_ms in due_ms)

    def life(self, alarm: str) -> Life:
        """The alarm's state; normal for those not listed."""
        life = self.durable.alarms.get(alarm)
        return life.state if life is not None else Life.NORMAL

    def stands(self, alarm: str) -> bool:
        """Whether the alarm's cause stands, after its delays, shelved or not."""
        return self.life(alarm) in STANDING or self.watch.timers.get(alarm, Timer()).standing

    def in_force(self, cause: Cause) -> bool:
        """Whether a row's effects apply: while its cause stands, and a critical one until it is closed.

        So a critical alarm that has gone by itself gives the iron no power before somebody has seen it.
        """
        if cause.priority == "critical" and self.life(cause.alarm) is not Life.NORMAL:
            return True
        return self.stands(cause.alarm)

    def facts(self) -> Facts:
        """What the conditions of the table may ask about."""
        run, watch = self.run, self.watch
        return Facts(
            now=self.now,
            limits=self.book.limits,
            plate=watch.plate,
            extraction=watch.extraction,
            extraction_readable=self.reading.extraction.readable,
            extraction_a=self.reading.extraction.extraction_a,
            solvent_out=watch.solvent_out,
            unsure_ms=0 if watch.unsure_since_ms is None else self.now.mono_ms - watch.unsure_since_ms,
            health=self.reading.health,
            step=self.step,
            run=run,
            heat=watch.heat,
            run_ms=elapsed_ms(run, self.now) if run is not None else None,
            solder_ended_ms=watch.solder_ended_ms,
            vapour=watch.vapour,
            on_plate_hot_ms=watch.hot_ms.get(self.durable.on_plate, 0) if self.durable.on_plate else 0,
        )


def holds(effects: frozenset[Effect], step: Step) -> bool:
    """Whether a cause with these effects holds such a step. A cure goes on by itself and is never held."""
    if step.kind == "cure":
        return False
    return Effect.HOLD_ANY in effects or (Effect.HOLD_HEAT in effects and step.kind == "heat")
