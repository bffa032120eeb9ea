"""What a station may still remember at its start: when soldering ended, and the estimate of solvent vapour.

The vapour does not know that the station was restarted. What was drawn in the last hours, whether the
extractor was proven and how hot the plate was are in the journal; from them the estimate comes out as it
would stand had the station never stopped. The time it was off counts as time without extraction, and where
nobody can tell how long that was, as no time at all: the vapour is taken to be still there.
"""

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from msgspec.structs import replace

from shared import events
from shared.events import Event
from shared.timeline import Moment
from station.rules.limits import SolventLimits
from station.rules.vapour import VapourWatch, dispense, draw, lift, watch_vapour

LONGEST_MS = 8 * 3600 * 1000

Told = tuple[Moment, Event]


class Plate(NamedTuple):
    """A second of record: when, and the plate's mean; None where it was not known."""

    boot: str
    mono_ms: int
    plate_c: float | None


def first_draw(told: Sequence[Told], now: Moment) -> Moment | None:
    """When solvent was first drawn within the last eight hours; None where it was not.

    Args:
        told: events of the record, oldest first; kinds that say nothing of solvent do no harm.
        now: the moment of the start.
    """
    axis = _Axis()
    drawn = []
    for moment, body in told:
        at_ms = axis.at(moment)
        if isinstance(body, (events.SolventLifted, events.SolventDispensed)):
            drawn.append((at_ms, moment))
    from_ms = axis.at(now) - LONGEST_MS
    return next((moment for at_ms, moment in drawn if at_ms >= from_ms), None)


def recall(told: Iterable[Told], plates: Iterable[Plate], limits: SolventLimits, now: Moment) -> VapourWatch:
    """The estimate at ``now``.

    Args:
        told: the events that `first_draw` was asked of.
        plates: seconds of record from that draw on, oldest first.
        limits: of the solvent.
        now: the moment of the start.
    """
    past = _Past(limits)
    waiting = list(reversed(list(plates)))
    begun: set[str] = set()
    for moment, body in told:
        while waiting and _before(waiting[-1], moment, begun):
            past.see(waiting.pop())
        past.hear(moment, body)
        begun.add(moment.boot)
    while waiting:
        past.see(waiting.pop())
    past.advance(now, unwatched=True)
    return _shifted(past.watch, now.mono_ms - past.now_ms)


def soldering_ended_ms(told: Iterable[Told], boot: str) -> int | None:
    """When soldering under proven extraction last ended in a boot, in its monotonic ms; None: it did not.

    Args:
        told: events of the record, oldest first.
        boot: the one that goes on; how long ago another one's soldering was, its clock cannot tell.
    """
    proven, at_work, ended_ms = False, dict[str, str | None](), None
    for moment, body in told:
        match body:
            case events.StepStarted():
                at_work[body.unit] = body.work
            case events.StepFinished() | events.StepAbandoned():
                if at_work.pop(body.unit, None) == "solder" and proven and moment.boot == boot:
                    ended_ms = moment.mono_ms
            case events.ExtractionProven():
                proven = True
            case events.ExtractionLost() | events.StationStarted():
                proven = False
    return ended_ms


class _Past:
    """The estimate while the record is gone through; it alone changes."""

    def __init__(self, limits: SolventLimits) -> None:
        self.watch = VapourWatch()
        self.now_ms = 0
        self._limits = limits
        self._axis = _Axis()
        self._proven = False
        self._second: Plate | None = None
        self._known_to_ms = 0

    def advance(self, moment: Moment, *, unwatched: bool = False) -> None:
        """On to a moment: what was known of the plate holds for its own second only.

        ``unwatched``: nobody watched since the last that is known, so the extractor is taken to have stopped.
        """
        to_ms = self._axis.at(moment)
        if self._second is not None:
            self._reckon(min(to_ms, self._known_to_ms), self._second.plate_c)
            if to_ms > self._known_to_ms:
                self._second = None
        if unwatched:
            self._proven = False
        self._reckon(to_ms, None)  # what is left of the time: none within a second that is known
        self.now_ms = to_ms

    def _reckon(self, at_ms: int, plate_c: float | None) -> None:
        self.watch = watch_vapour(self.watch, at_ms, plate_c, self._limits, proven=self._proven)

    def see(self, second: Plate) -> None:
        """A second of record begins, or goes on where the station started within it."""
        from_ms = max(second.mono_ms, self._axis.reached_ms(second.boot))
        self.advance(Moment(second.boot, from_ms))
        self._second, self._known_to_ms = second, self.now_ms + max(0, second.mono_ms + 1000 - from_ms)

    def hear(self, moment: Moment, body: Event) -> None:
        """Something happened."""
        self.advance(moment, unwatched=isinstance(body, events.StationStarted))
        match body:
            case events.SolventLifted():
                self.watch = lift(self.watch, self._limits)
            case events.SolventDispensed():
                self.watch = _told(self.watch, body, self._limits)
            case events.ExtractionProven():
                self._proven = True
            case events.ExtractionLost() | events.StationStopped():
                self._proven = False


def _before(second: Plate, moment: Moment, begun: set[str]) -> bool:
    """Whether a second belongs before an event.

    None does before its boot's first event, though a start lies within a second: only events have a date,
    from which the time between two boots is told.
    """
    return second.boot in begun and (second.boot != moment.boot or second.mono_ms <= moment.mono_ms)


def _told(watch: VapourWatch, body: events.SolventDispensed, limits: SolventLimits) -> VapourWatch:
    """What was said to be drawn; records that did not tell how much of it was new count it whole."""
    added_ml = body.values.get("added_ml")
    if added_ml is None:
        return dispense(watch, body.values.get("ml", limits.dose_ml), limits)
    return draw(watch, added_ml, limits)


def _shifted(watch: VapourWatch, by_ms: int) -> VapourWatch:
    breathed = watch.breathed
    return replace(
        watch,
        since_ms=None if watch.since_ms is None else watch.since_ms + by_ms,
        last_ms=watch.last_ms + by_ms,
        credit_ml=0.0,  # who draws now has lifted the bottle anew
        breathed=replace(
            breathed, minute_ms=breathed.minute_ms + by_ms, quarter_ms=breathed.quarter_ms + by_ms
        ),
    )


class _Axis:
    """One axis of time over several boots, in ms, that never runs backwards."""

    def __init__(self) -> None:
        self._now_ms = 0
        self._last: Moment | None = None

    def reached_ms(self, boot: str) -> int:
        """How far a boot's own clock has come, where it is the one under way; 0 where it is not."""
        return self._last.mono_ms if self._last is not None and self._last.boot == boot else 0

    def at(self, moment: Moment) -> int:
        """Where a moment lies; moments come in their order."""
        last = self._last
        if last is not None:
            if last.boot == moment.boot:
                passed_ms = moment.mono_ms - last.mono_ms
            elif last.wall_ms is None or moment.wall_ms is None:
                passed_ms = 0
            else:
                passed_ms = moment.wall_ms - last.wall_ms
            self._now_ms += max(0, passed_ms)
        wall_ms = moment.wall_ms
        if wall_ms is None and last is not None and last.boot == moment.boot and last.wall_ms is not None:
            wall_ms = last.wall_ms + moment.mono_ms - last.mono_ms
        self._last = replace(moment, wall_ms=wall_ms)
        return self._now_ms
