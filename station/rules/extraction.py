"""Proof of extraction: the fan's current must stand for a while, and its loss counts within half a second.

Proven at the upper threshold for the proving time (so that a starting current is no proof); lost below the
lower threshold, unreadable, or after a gap. Between the two thresholds a proof neither comes nor goes. A
reading between them is no proof either: it does not start the delay of a loss anew, only makes it longer.
"""

from typing import NamedTuple

from shared.readings import ExtractionReading
from shared.timeline import to_ms
from station.rules.limits import ExtractionLimits
from station.rules.state import ExtractionWatch


class ExtractionTurn(NamedTuple):
    """The watch after a tick, and why the proof was lost in it (None: it was not)."""

    watch: ExtractionWatch
    lost: str | None = None


def watch_extraction(
    watch: ExtractionWatch,
    reading: ExtractionReading,
    now_ms: int,
    passed_ms: int,
    limits: ExtractionLimits,
) -> ExtractionTurn:
    """The proof after one more reading, ``passed_ms`` after the last one (0 at a start and after a gap)."""
    current_a = reading.extraction_a
    if reading.closed is not None:
        above, below = reading.closed, not reading.closed
    else:
        above = current_a is not None and current_a >= limits.proven_a
        below = current_a is None or current_a < limits.lost_a
    above_since = _since(watch.above_since_ms, above, now_ms)
    below_since = _since(watch.below_since_ms, below, now_ms)
    below_ms = _below_ms(watch, passed_ms, limits)
    since_ms = now_ms if watch.since_ms is None else watch.since_ms
    proven, lost = watch.proven, None
    if proven and below and below_ms >= to_ms(limits.lost_s):
        proven, since_ms, below_ms = False, now_ms, 0
        lost = "low-current" if reading.readable else "unreadable"
    elif not proven and above_since is not None and now_ms - above_since >= to_ms(limits.proof_s):
        proven, since_ms, below_ms = True, now_ms, 0
    watch = ExtractionWatch(
        proven=proven,
        below_ms=below_ms,
        since_ms=since_ms,
        above_since_ms=above_since,
        below_since_ms=below_since,
    )
    return ExtractionTurn(watch, lost)


def _below_ms(watch: ExtractionWatch, passed_ms: int, limits: ExtractionLimits) -> int:
    """Time below so far; the time since the last reading counts as that reading spoke."""
    if not watch.proven:
        return 0
    if watch.above_since_ms is not None:
        return 0
    if watch.below_since_ms is None:
        return max(0, watch.below_ms - passed_ms // 2)
    return min(to_ms(limits.lost_s), watch.below_ms + passed_ms)


def forget_extraction(watch: ExtractionWatch) -> ExtractionTurn:
    """The proof after a gap: there is none, from the next reading on."""
    return ExtractionTurn(ExtractionWatch(), "gap" if watch.proven else None)


def _since(since_ms: int | None, holds: bool, now_ms: int) -> int | None:
    if not holds:
        return None
    return now_ms if since_ms is None else since_ms
