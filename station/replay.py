"""A recorded trace through the same rules as the live station, as fast as it can.

The events it tells are chained as the journal chains them, so that a replay of one trace prints the same
bytes each time.
"""

import hashlib
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

from shared import VERSION
from shared.events import EventBody, StationStarted, TraceFinished, Values
from shared.readings import (
    ExtractionQuality,
    ExtractionReading,
    PlateReading,
    Reading,
)
from shared.requests import parse_text
from shared.timeline import TRACE_BOOT, Moment
from station.decoding import plate_decoder
from station.measurement.frame import BUS_FAILED
from station.rules.decide import Decision, begin, decide
from station.rules.state import Durable, State
from station.rules.tick import Book
from station.settings import Settings
from station.trace import TraceTick

_NO_CURRENT = ExtractionReading(quality=ExtractionQuality.UNREADABLE)


class Replayed(NamedTuple):
    """What one line of a trace brought: its moment, what was told, and what the outputs would have done.

    ``reading``, ``state`` and ``decision`` are None for what stands before the first line and after the last.
    """

    moment: Moment
    events: tuple[EventBody, ...]
    reading: Reading | None = None
    state: State | None = None
    decision: Decision | None = None


def boot_of_trace(path: Path) -> str:
    """The boot name of a trace: it depends on the recorded bytes alone."""
    return f"{TRACE_BOOT}{hashlib.sha256(path.read_bytes()).hexdigest()[:12]}"


def reading_of(tick: TraceTick, decode: Callable[[int], PlateReading]) -> Reading:
    """What the wires said in one line of a trace."""
    extraction = _NO_CURRENT
    if tick.extraction_a is not None:
        extraction = ExtractionReading(quality=ExtractionQuality.GOOD, extraction_a=tick.extraction_a)
    return Reading(
        plate=BUS_FAILED if tick.word is None else decode(tick.word),
        extraction=extraction,
        solvent_out=tick.solvent_out,
    )


def replay(
    ticks: Sequence[TraceTick], book: Book, settings: Settings, boot: str, start_ms: int | None
) -> Iterator[Replayed]:
    """Run a trace through the rules, line by line.

    Args:
        ticks: the trace.
        book: limits and sheet.
        settings: wires (gain, offset) and the station's name.
        boot: names the trace's time line.
        start_ms: wall time of ``t_s`` = 0 in Unix milliseconds, or None while it is not known.
    """

    def moment(mono_ms: int) -> Moment:
        return Moment(boot, mono_ms, None if start_ms is None else start_ms + mono_ms)

    first = moment(ticks[0].mono_ms if ticks else 0)
    wire = settings.wires.plate
    trim: Values = {"gain": wire.gain, "offset_c": wire.offset_c}
    started = StationStarted(
        station=settings.station.id,
        version=VERSION,
        sheet=book.sheet.label,
        reason="replay",
        values=trim if (wire.gain, wire.offset_c) != (1.0, 0.0) else {},
    )
    state, told = begin(Durable(), first, started, book)
    yield Replayed(first, told)
    decode = plate_decoder(settings.wires.plate, settings.limits.plate)
    now = first
    for tick in ticks:
        now, reading = moment(tick.mono_ms), reading_of(tick, decode)
        asked = () if tick.request is None else (parse_text(tick.request),)
        state, decision = decide(book, state, reading, asked, now)
        yield Replayed(now, decision.events, reading, state, decision)
    yield Replayed(now, (TraceFinished(lines=len(ticks)),))
