"""The plate's filter: which readings may be believed, and the median of the last valid ones.

The chip tells open and shorted wires; this room finds what only a sequence shows: a word that no longer moves
and a jump that no plate can make. A fault makes the number vanish at once; whether it is an alarm is for the
delay in the table of causes.
"""

from statistics import median

from msgspec.structs import replace

from shared.readings import PlateQuality, PlateReading
from shared.timeline import to_ms
from station.rules.limits import Limits
from station.rules.state import PlateWatch

# Readings closer together than this are judged as this far apart: a late tick must not look like a jump.
SHORTEST_MS = 100


def watch_plate(
    watch: PlateWatch, reading: PlateReading, now_ms: int, passed_ms: int, limits: Limits
) -> PlateWatch:
    """The filter after one more reading, ``passed_ms`` after the last one (0 at a start and after a gap)."""
    quality = _judge(watch, reading, now_ms, limits)
    moved = reading.word != watch.word
    valid, recent = False, watch.recent
    if quality is PlateQuality.GOOD and reading.plate_c is not None:
        valid, recent = True, _recent(watch, reading.plate_c, now_ms, limits)
    readable = reading.plate_c is not None
    return PlateWatch(
        plate_c=median(recent) if valid else None,
        quality=quality,
        cold_junction_c=reading.cold_junction_c,
        recent=recent,
        seen=watch.seen or valid,
        word=reading.word,
        word_since_ms=now_ms if moved else watch.word_since_ms,
        last_c=reading.plate_c if readable else watch.last_c,
        last_ms=now_ms if readable else watch.last_ms,
        bad_ms=_bad_ms(watch, passed_ms, limits),
        valid_ms=now_ms if valid else watch.valid_ms,
        faults=_counted(watch, quality),
        bad_since_ms=None if valid else (now_ms if watch.bad_since_ms is None else watch.bad_since_ms),
    )


def wait_plate(watch: PlateWatch, passed_ms: int, limits: Limits) -> PlateWatch:
    """The filter between two readings: time passes, and nothing new is known."""
    return replace(watch, bad_ms=_bad_ms(watch, passed_ms, limits))


def forget_plate(watch: PlateWatch) -> PlateWatch:
    """The filter after a gap: what was known before it is unknown after it."""
    return replace(watch, plate_c=None, recent=(), seen=False, last_c=None, word=None, bad_ms=0)


def _counted(watch: PlateWatch, quality: PlateQuality) -> dict[str, int]:
    if quality in (PlateQuality.GOOD, watch.quality):
        return watch.faults
    return {**watch.faults, str(quality): watch.faults.get(str(quality), 0) + 1}


def mirrored(start_c: float | None, reading: PlateReading, fall_c: float) -> PlateReading:
    """The reading, or a fault where it has fallen since the heat step began, and below its own cold junction.

    A plate that is heated does not do that; a thermocouple with swapped leads does, and reports no fault.

    Args:
        start_c: the plate when the heat step began, °C; None with no such step.
        reading: what the chip says.
        fall_c: how far it must have fallen.
    """
    plate_c, junction_c = reading.plate_c, reading.cold_junction_c
    if start_c is None or plate_c is None or junction_c is None:
        return reading
    if plate_c >= junction_c or plate_c > start_c - fall_c:
        return reading
    return PlateReading(quality=PlateQuality.MIRRORED, word=reading.word, cold_junction_c=junction_c)


def _bad_ms(watch: PlateWatch, passed_ms: int, limits: Limits) -> int:
    """Bad time so far. It leaks, so that one bad frame now and then never adds up, and a bad third does."""
    if watch.bad_since_ms is None:
        return max(0, watch.bad_ms - passed_ms // 2)
    # A tick more than the delay is kept: enough to stay a fault through one good reading, gone in the return.
    return min(to_ms(limits.plate.fault_delay_s) + SHORTEST_MS, watch.bad_ms + passed_ms)


def _judge(watch: PlateWatch, reading: PlateReading, now_ms: int, limits: Limits) -> PlateQuality:
    if reading.quality is not PlateQuality.GOOD or reading.plate_c is None:
        return reading.quality
    if reading.word == watch.word and now_ms - watch.word_since_ms >= to_ms(limits.plate.frozen_s):
        return PlateQuality.FROZEN
    if watch.last_c is not None:
        passed_ms = max(now_ms - watch.last_ms, SHORTEST_MS)
        # Only neighbours are compared: a step to a new level costs one reading, a flailing wire all of them.
        close = passed_ms <= to_ms(limits.gap_s)
        jump_c = abs(reading.plate_c - watch.last_c)
        if close and jump_c > limits.plate.absurd_rate_c_per_s * passed_ms / 1000:
            return PlateQuality.ABSURD_RATE
    return PlateQuality.GOOD


def _recent(watch: PlateWatch, plate_c: float, now_ms: int, limits: Limits) -> tuple[float, ...]:
    stale = watch.bad_since_ms is not None and now_ms - watch.bad_since_ms >= to_ms(limits.gap_s)
    kept = () if stale else watch.recent
    return (*kept, plate_c)[-limits.median_of :]
