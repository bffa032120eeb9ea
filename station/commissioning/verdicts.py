"""What the samples of a walk through the wiring say: plain judgements, no wires and no person.

A verdict is `passed`, `failed` or `skipped`; a check that could not see what it looks for has failed. The
numbers here are our own choices (common practice, no source) unless they come from the station's limits.
"""

from collections.abc import Sequence
from typing import Literal

import msgspec

from shared.events import Values
from shared.readings import ExtractionReading, PlateReading
from station.rules.limits import ExtractionLimits

Outcome = Literal["passed", "failed", "skipped"]

# A cold bench: plate and chip stand in the same room.
ROOM_LOW_C, ROOM_HIGH_C, APART_C = 0.0, 45.0, 10.0
GOOD_SHARE = 0.9
# Fingers warm a thermocouple by several degrees; its chip steps by a quarter of one.
RISE_C = 1.5


class Verdict(msgspec.Struct, frozen=True, kw_only=True):
    """One line of the walk: what was looked at, what came of it, and why; ``values`` are the numbers seen."""

    name: str
    outcome: Outcome
    detail: str
    values: Values = {}


def verdict(name: str, good: bool, detail: str, **values: float) -> Verdict:
    """A verdict with its numbers rounded to what can be read off the wires."""
    rounded: Values = {key: round(value, 4) for key, value in values.items()}
    return Verdict(name=name, outcome="passed" if good else "failed", detail=detail, values=rounded)


def all_well(verdicts: Sequence[Verdict]) -> bool:
    """Whether there is something to go by, and nothing of it failed."""
    return any(each.outcome == "passed" for each in verdicts) and all(
        each.outcome != "failed" for each in verdicts
    )


def plate_answers(readings: Sequence[PlateReading]) -> Verdict:
    """Whether a cold plate's thermocouple gives believable numbers."""
    name = "plate-reading"
    good_c = [reading.plate_c for reading in readings if reading.plate_c is not None]
    if not readings or len(good_c) < GOOD_SHARE * len(readings):
        faults = sorted({str(reading.quality) for reading in readings if reading.plate_c is None})
        return verdict(
            name,
            False,
            f"{len(good_c)} of {len(readings)} readings are valid: {', '.join(faults) or 'none came'}",
        )
    plate_c = mean(good_c)
    cold_c = mean([r.cold_junction_c for r in readings if r.cold_junction_c is not None] or [plate_c])
    numbers = {"plate_c": plate_c, "cold_junction_c": cold_c}
    if not ROOM_LOW_C <= plate_c <= ROOM_HIGH_C:
        why = f"a cold plate reads {plate_c:.1f} °C, not {ROOM_LOW_C:g} to {ROOM_HIGH_C:g} °C"
        return verdict(name, False, why, **numbers)
    if abs(plate_c - cold_c) > APART_C:
        why = f"a cold plate reads {plate_c:.1f} °C, its chip {cold_c:.1f} °C: more than {APART_C:g} °C apart"
        return verdict(name, False, why, **numbers)
    return verdict(name, True, f"{plate_c:.1f} °C, its chip {cold_c:.1f} °C", **numbers)


def rise_c(before: Sequence[PlateReading], now: PlateReading) -> float | None:
    """How far the junction has moved against its own chip since before, °C; None with nothing to compare."""
    away_c = [each for each in map(_above_chip_c, before) if each is not None]
    now_c = _above_chip_c(now)
    return None if not away_c or now_c is None else now_c - mean(away_c)


def _above_chip_c(reading: PlateReading) -> float | None:
    if reading.plate_c is None or reading.cold_junction_c is None:
        return None
    return reading.plate_c - reading.cold_junction_c


def polarity(moved_c: float | None) -> Verdict:
    """Whether a junction that is warmed reads warmer: swapped leads read colder, shorted ones stay."""
    name = "plate-polarity"
    if moved_c is None:
        return verdict(name, False, "no valid reading while the junction was warmed")
    if moved_c >= RISE_C:
        return verdict(name, True, f"rises by {moved_c:.1f} °C when warmed", rise_c=moved_c)
    if moved_c <= -RISE_C:
        why = f"falls by {-moved_c:.1f} °C when warmed: the thermocouple's leads are swapped"
        return verdict(name, False, why, rise_c=moved_c)
    why = (
        f"moves by {moved_c:+.1f} °C when warmed, less than {RISE_C:g} °C: leads shorted before the "
        "junction, or another thermocouple was warmed"
    )
    return verdict(name, False, why, rise_c=moved_c)


def two_states(name: str, seen: Sequence[bool | None], want: Sequence[tuple[bool, str]]) -> Verdict:
    """Whether an input was seen in each state, in the order in which it was asked for.

    Args:
        name: of the check.
        seen: what the input said at each stage; None: it could not be read.
        want: what it should have said, and that in words.
    """
    for found, (wanted, words) in zip(seen, want, strict=True):
        if found is None:
            return verdict(name, False, f"cannot be read when it should be {words}")
        if found != wanted:
            return verdict(name, False, f"never seen {words}")
    return verdict(name, True, "seen " + ", ".join(words for _, words in want))


def floor(readings: Sequence[ExtractionReading], limits: ExtractionLimits) -> Verdict:
    """Whether a motor at rest reads well below where the proof would be lost."""
    name = "extraction-floor"
    currents_a, trouble = _currents_a(readings)
    if trouble:
        return verdict(name, False, f"fan off: {trouble}")
    most_a, most_allowed_a = max(currents_a), limits.lost_a / 3
    detail = f"fan off: {mean(currents_a):.3f} A, at most {most_a:.3f} A"
    if most_a > most_allowed_a:
        detail += f"; a third of lost_a ({most_allowed_a:.3f} A) or less is wanted: calibrate, or more turns"
    return verdict(name, most_a <= most_allowed_a, detail, off_a=mean(currents_a))


def running(readings: Sequence[ExtractionReading], limits: ExtractionLimits) -> Verdict:
    """Whether a running motor reads above where it is proven, and inside its learned band."""
    name = "extraction-running"
    currents_a, trouble = _currents_a(readings)
    if trouble:
        return verdict(name, False, f"fan on: {trouble}")
    least_a, mean_a = min(currents_a), mean(currents_a)
    detail = f"fan on: {mean_a:.3f} A, at least {least_a:.3f} A"
    if least_a < limits.proven_a:
        why = f"{detail}; proven_a is {limits.proven_a:g} A: it would not be proven"
        return verdict(name, False, why, on_a=mean_a)
    if limits.high_a and not limits.low_a <= mean_a <= limits.high_a:
        why = f"{detail}; outside the learned band {limits.low_a:g} to {limits.high_a:g} A"
        return verdict(name, False, why, on_a=mean_a)
    return verdict(name, True, f"{detail}; proven from {limits.proven_a:g} A", on_a=mean_a)


def _currents_a(readings: Sequence[ExtractionReading]) -> tuple[list[float], str]:
    """The currents, and why they are not enough to go by (nothing where they are)."""
    currents_a = [each.extraction_a for each in readings if each.extraction_a is not None]
    if readings and len(currents_a) >= GOOD_SHARE * len(readings):
        return currents_a, ""
    faults = sorted({str(each.quality) for each in readings if each.extraction_a is None})
    return [], f"{len(currents_a)} of {len(readings)} readings are valid: {', '.join(faults) or 'none came'}"


def mean(values: Sequence[float]) -> float:
    """The arithmetic mean of at least one value."""
    return sum(values) / len(values)
