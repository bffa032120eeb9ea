"""A bench of plain values: readings made by hand, time passed in, every event kept."""

from collections.abc import Iterable
from typing import Any

import msgspec

from shared.events import EventBody, StationStarted, kind_of
from shared.readings import (
    ExtractionQuality,
    ExtractionReading,
    Health,
    PlateQuality,
    PlateReading,
    Reading,
)
from shared.requests import parse_text
from shared.sheet import Sheet, default_sheet
from shared.timeline import Moment
from station.rules.decide import NOTHING_KNOWN, Decision, Remembered, begin, decide
from station.rules.fold import apply
from station.rules.limits import Limits
from station.rules.state import Durable, State
from station.rules.tick import Book

RUNNING_A, STILL_A = 0.42, 0.005
# Ticks at 10 Hz at either end of a long run, where tests look to the tick. A second apart is no gap yet.
AT_THE_ENDS = 100


def plate_at(plate_c: float, word: int) -> PlateReading:
    """A good plate reading; the word only says whether the chip is alive."""
    return PlateReading(quality=PlateQuality.GOOD, word=word, plate_c=plate_c, cold_junction_c=24.0)


class HandBench:
    """Ticks the rules by hand. What is set stays set until it is set again."""

    def __init__(self, limits: Limits | None = None, sheet: Sheet | None = None) -> None:
        self.book = Book(limits or Limits(), sheet or default_sheet())
        self.boot = "boot-1"
        self.now_ms = 0
        self.state = State()
        self.events: list[tuple[int, EventBody]] = []
        self.decision: Decision
        self.plate_c: float | None = 25.0
        self.fault = PlateQuality.OPEN
        self.amps: float | None = STILL_A
        self.out: bool | None = False
        self.health = Health()
        self._word = 0

    def reading(self) -> Reading:
        """What the wires say now; each word differs from the last, as a live chip's do."""
        self._word += 1
        if self.plate_c is None:
            plate = PlateReading(quality=self.fault, word=self._word)
        else:
            plate = plate_at(self.plate_c, self._word)
        if self.amps is None:
            extraction = ExtractionReading(quality=ExtractionQuality.UNREADABLE)
        else:
            extraction = ExtractionReading(quality=ExtractionQuality.GOOD, extraction_a=self.amps)
        return Reading(plate=plate, extraction=extraction, solvent_out=self.out, health=self.health)

    def tick(self, *asked: str, after_ms: int = 100) -> Decision:
        """One tick, ``after_ms`` after the last one."""
        self.now_ms += after_ms
        now = Moment(self.boot, self.now_ms)
        requests = [parse_text(text) for text in asked]
        before = self.state.durable
        self.state, self.decision = decide(self.book, self.state, self.reading(), requests, now)
        for body in self.decision.events:
            before = apply(before, now, body)
        assert before == self.state.durable, "the state is not the fold of what was told"
        self.events += [(self.now_ms, body) for body in self.decision.events]
        return self.decision

    def run(self, seconds: float, **wires: Any) -> None:
        """Tick at 10 Hz for a while, after setting wires; in the midst of a long while once a second."""
        for name, value in wires.items():
            setattr(self, name, value)
        ticks = round(seconds * 10)
        coarse = max(0, ticks - 2 * AT_THE_ENDS) // 10
        for number in range(ticks - 9 * coarse):
            midst = AT_THE_ENDS <= number < AT_THE_ENDS + coarse
            self.tick(after_ms=1000 if midst else 100)

    def ask(self, text: str) -> tuple[str, ...]:
        """One tick with one request; the reasons against it (none: done)."""
        return self.tick(text).outcomes[0].reasons

    def do(self, *texts: str) -> None:
        """Requests that must be carried out."""
        for text in texts:
            assert self.ask(text) == (), text

    def restart(
        self,
        boot: str = "boot-2",
        settings: str | None = None,
        known: Remembered = NOTHING_KNOWN,
        now_ms: int = 0,
    ) -> Iterable[EventBody]:
        """The station starts again from what is durable, and what it takes up from its record."""
        self.boot, self.now_ms = boot, now_ms
        started = StationStarted(station="bench-1", version="test", sheet="test", settings=settings)
        self.state, told = begin(self.state.durable, Moment(boot, now_ms), started, self.book, known)
        self.events += [(now_ms, body) for body in told]
        return told

    def kinds(self, since: int = 0) -> list[str]:
        """The kinds told since an index into ``events``."""
        return [kind_of(body) for _, body in self.events[since:]]

    def told(self, kind: str) -> list[dict[str, Any]]:
        """Every event of a kind, as printed fields with the time in ms."""
        return [
            {"ms": at_ms, **msgspec.to_builtins(body)} for at_ms, body in self.events if kind_of(body) == kind
        ]

    def raised(self) -> list[str]:
        """Alarms raised so far, in order."""
        return [event["alarm"] for event in self.told("alarm-raised")]

    def prove(self) -> None:
        """Run the extractor until it is proven."""
        self.run(5.2, amps=RUNNING_A)
        assert self.state.watch.extraction.proven

    @property
    def durable(self) -> Durable:
        """The durable state."""
        return self.state.durable
