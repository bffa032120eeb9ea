"""A recorded boot judged again: its seconds of record through the same rules, with the same or other numbers.

The journal keeps one row a second and every event. From them readings and requests are made again, five ticks
a second with the second's mean. That cannot tell what happened within a second: delays under a second may
fall differently, and a spike that the mean hides is not seen. So two judgements of the same record are
compared with each other, never one with what happened live; how well the first agrees with that is told
beside it. What the station said of itself (journal, link, clock, calibration) is not judged again.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

from shared import events
from shared.events import Event, EventBody
from shared.messages import Second
from shared.readings import ExtractionQuality, ExtractionReading, PlateQuality, PlateReading, Reading
from shared.requests import Asked
from shared.timeline import Moment
from station.rules.decide import Remembered, begin, decide
from station.rules.state import Durable
from station.rules.tick import Book

TICK_MS = 200
OWN_ALARMS = frozenset({"journal-failing", "link-down", "clock-untrusted", "calibration-due"})
_QUALITIES = {str(quality): quality for quality in PlateQuality}
_CHANGED = (events.AlarmRaised, events.StepRefused, events.StepHeld, events.PermitDropped)

Told = tuple[int, EventBody]


class Judgement(NamedTuple):
    """What the rules told of a record: events with their monotonic ms, and how long the iron had power."""

    told: tuple[Told, ...]
    permit_ms: int
    watched_ms: int

    def alarms(self) -> Counter[str]:
        """Annunciations by alarm, those of the station itself left out."""
        return alarms_in(body for _, body in self.told)

    def refusals(self) -> Counter[str]:
        """Refused starts and finishes by step."""
        return Counter(body.step for _, body in self.told if isinstance(body, events.StepRefused))

    def holds(self) -> Counter[str]:
        """Holds by the alarm that held."""
        return Counter(body.alarm for _, body in self.told if isinstance(body, events.StepHeld))


class Difference(NamedTuple):
    """What only one of two judgements told: when (monotonic ms), which one (``first``, ``second``), what."""

    mono_ms: int
    only: str
    kind: str
    what: str


def alarms_in(bodies: Iterable[Event]) -> Counter[str]:
    """Annunciations by alarm, those of the station itself left out."""
    raised = (body.alarm for body in bodies if isinstance(body, events.AlarmRaised))
    return Counter(alarm for alarm in raised if alarm not in OWN_ALARMS)


def readings_of(second: Second) -> Iterator[tuple[int, Reading]]:
    """A second of record as ticks: the mean while it was known, the fault for the rest of the second."""
    extraction = ExtractionReading(quality=ExtractionQuality.UNREADABLE)
    if second.extraction_a is not None:
        extraction = ExtractionReading(quality=ExtractionQuality.GOOD, extraction_a=second.extraction_a)
    fault = _QUALITIES.get(second.quality, PlateQuality.UNKNOWN)
    for at_ms in range(0, 1000, TICK_MS):
        mono_ms = second.second * 1000 + at_ms
        good = second.plate_mean_c is not None and (fault is PlateQuality.GOOD or at_ms < second.valid_ms)
        plate = PlateReading(
            quality=PlateQuality.GOOD if good else fault,
            word=mono_ms,  # each its own: that a word did not move is recorded as a quality already
            plate_c=second.plate_mean_c if good else None,
            cold_junction_c=second.cold_junction_c,
        )
        yield mono_ms, Reading(plate=plate, extraction=extraction, solvent_out=second.solvent_out)


def judge(
    book: Book,
    durable: Durable,
    boot: str,
    started: events.StationStarted,
    seconds: Iterable[Second],
    requests: Sequence[tuple[int, Asked]],
    offset_ms: int | None = None,
    starts: Sequence[tuple[int, events.StationStarted]] = (),
) -> Judgement:
    """One boot's record through the rules.

    The heat budget and the vapour of earlier boots are not known to it.

    Args:
        book: limits and sheet to judge by.
        durable: what earlier boots had left.
        boot: names the time line.
        started: how the boot began.
        seconds: its record, oldest first.
        requests: what was asked, with monotonic ms, oldest first.
        offset_ms: the boot's offset to wall time, if known.
        starts: how often and when the station started again within the boot, oldest first: a running step was
            held by it, and what had been proven was not known any more.
    """
    waiting, later = list(reversed(requests)), list(reversed(starts))
    state = None
    told: list[Told] = []
    permit_ms = watched_ms = 0
    for second in seconds:
        for mono_ms, reading in readings_of(second):
            now = Moment(boot, mono_ms, None if offset_ms is None else mono_ms + offset_ms)
            if state is None:
                state, first = begin(durable, now, started, book)
                told += [(mono_ms, body) for body in first]
            while later and later[-1][0] <= mono_ms:
                again, watch = later.pop()[1], state.watch
                known = Remembered(watch.hot_ms, watch.vapour, watch.heat.soak_ms, watch.solder_ended_ms)
                state, first = begin(state.durable, now, again, book, known)
                told += [(mono_ms, body) for body in first]
            asked = []
            while waiting and waiting[-1][0] <= mono_ms:
                asked.append(waiting.pop()[1])
            state, decision = decide(book, state, reading, asked, now)
            told += [(mono_ms, body) for body in decision.events]
            permit_ms += TICK_MS if decision.levels.permit else 0
            watched_ms += TICK_MS
    return Judgement(tuple(told), permit_ms, watched_ms)


def differences(first: Judgement, second: Judgement, near_ms: int = 2000) -> list[Difference]:
    """What one told and the other did not within ``near_ms``: alarms, refusals, holds, lost power."""
    found = _only(first, second, "first", near_ms) + _only(second, first, "second", near_ms)
    return sorted(found)


def _only(one: Judgement, other: Judgement, name: str, near_ms: int) -> list[Difference]:
    there: dict[tuple[str, str], list[int]] = {}
    for mono_ms, body in other.told:
        if isinstance(body, _CHANGED):
            there.setdefault(_what(body), []).append(mono_ms)
    found = []
    for mono_ms, body in one.told:
        if not isinstance(body, _CHANGED) or getattr(body, "alarm", "") in OWN_ALARMS:
            continue
        times = there.get(_what(body), [])
        match = next((at for at in times if abs(at - mono_ms) <= near_ms), None)
        if match is None:
            found.append(Difference(mono_ms, name, *_what(body)))
        else:
            times.remove(match)
    return found


def _what(body: Event) -> tuple[str, str]:
    match body:
        case events.StepRefused():
            return "step-refused", f"{body.request} {body.step}: {', '.join(body.reasons)}"
        case events.StepHeld():
            return "step-held", f"{body.step} by {body.alarm}"
        case events.PermitDropped():
            return "permit-dropped", ", ".join(body.reasons)
        case events.AlarmRaised():
            return "alarm-raised", body.alarm
    raise TypeError(f"{body!r} is not compared")
