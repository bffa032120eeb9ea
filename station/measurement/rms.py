"""True RMS of the extractor's current from raw MCP3008 codes over whole mains cycles.

The bias is removed as the mean, the current found when the motor is off (the floor) in quadrature. A window
that cannot be trusted gives no number: clipped codes, too few samples, or samples too unevenly spaced.

A program is woken late now and then, so every sample carries its own time and counts for half the distance to
either neighbour, the window being closed into a ring. Over whole cycles that is the trapezoidal rule, exact
for even spacing. For a sine and spacings h in a window T, the mean square is off by at most
b = ω²·Σh³/(3T) of itself (the rule's remainder h³/12·max|f''| with f'' ≤ 2A²ω²), the removed mean adds at
most b²/8, and the RMS is off by at most 1 - √(1 - b - b²/8): :func:`spacing_bound`.
"""

from collections.abc import Sequence
from math import pi, sqrt
from operator import mul

from shared.readings import ExtractionQuality, ExtractionReading

CODES = 1024
"""Codes of a 10-bit converter: code = 1024 · V / V_ref (MCP3008 datasheet DS21295)."""

LOWEST_CODE, HIGHEST_CODE = 0, CODES - 1
FEWEST_PER_CYCLE = 20
"""Samples per mains cycle below which a window is refused; common practice, no source."""

WORST_SPACING = 0.05
"""Relative RMS error, by :func:`spacing_bound`, above which a window is refused; our own choice."""


def ring_weights(times_s: Sequence[float], window_s: float) -> list[float]:
    """The share of the window (sum 1) that each sample stands for.

    Args:
        times_s: rising times of the samples, all within ``window_s`` of the first.
        window_s: length of the window in seconds; the last sample's neighbour is the first, one window on.
    """
    before_s = [times_s[-1] - window_s, *times_s[:-1]]
    after_s = [*times_s[1:], times_s[0] + window_s]
    share = 0.5 / window_s
    return [(later - earlier) * share for earlier, later in zip(before_s, after_s, strict=True)]


def spacing_bound(times_s: Sequence[float], window_s: float, mains_hz: float) -> float:
    """The largest relative error of the RMS of a sine of ``mains_hz`` that uneven spacing can cause.

    Args as for :func:`ring_weights`. 1.0 when the spacing says nothing about the RMS at all.
    """
    after_s = [*times_s[1:], times_s[0] + window_s]
    cubes = sum((later - earlier) ** 3 for earlier, later in zip(times_s, after_s, strict=True))
    of_mean_square = (2 * pi * mains_hz) ** 2 * cubes / (3 * window_s)
    return 1.0 - sqrt(max(0.0, 1.0 - of_mean_square - of_mean_square**2 / 8))


def rms_about_mean(values: Sequence[float], weights: Sequence[float] | None = None) -> float:
    """The RMS of ``values`` about their mean, in their own unit.

    Args:
        values: one or more.
        weights: a share for each value, sum 1; None weighs all alike.

    Raises:
        ValueError: there are no values, or not as many weights.
    """
    if not values:
        raise ValueError("The RMS of no values is not defined.")
    if weights is None:
        mean = sum(values) / len(values)
        return sqrt(sum((value - mean) ** 2 for value in values) / len(values))
    if len(weights) != len(values):
        raise ValueError(f"There are {len(weights)!r} weights for {len(values)!r} values.")
    mean = sum(map(mul, values, weights))
    centred = [value - mean for value in values]
    return sqrt(sum(map(mul, map(mul, centred, centred), weights)))


def without_floor(measured: float, floor: float) -> float:
    """A measured RMS less the independent noise ``floor`` (same unit), in quadrature, never below 0."""
    return sqrt(max(0.0, measured * measured - floor * floor))


def extraction_reading(
    codes: Sequence[int],
    times_s: Sequence[float],
    *,
    cycles: int,
    mains_hz: float,
    volts_per_code: float,
    volts_per_ampere: float,
    floor_a: float,
) -> ExtractionReading:
    """Judge one window of samples and give its current.

    Args:
        codes: raw codes, 0 to 1023.
        times_s: when each was taken, rising, any origin; samples a whole window after the first do not count.
        cycles: whole mains cycles in the window.
        mains_hz: 50 or 60.
        volts_per_code: supply over 1024.
        volts_per_ampere: of the transformer with its burden and turns.
        floor_a: RMS amperes read with the motor off.
    """
    if any(code <= LOWEST_CODE or code >= HIGHEST_CODE for code in codes):
        return ExtractionReading(quality=ExtractionQuality.CLIPPED)
    window_s = cycles / mains_hz
    inside = sum(1 for time_s in times_s if time_s - times_s[0] < window_s)
    codes, times_s = codes[:inside], times_s[:inside]
    if inside < FEWEST_PER_CYCLE * cycles or spacing_bound(times_s, window_s, mains_hz) > WORST_SPACING:
        return ExtractionReading(quality=ExtractionQuality.TOO_FEW_SAMPLES)
    rms_codes = rms_about_mean(codes, ring_weights(times_s, window_s))
    measured_a = rms_codes * volts_per_code / volts_per_ampere
    return ExtractionReading(quality=ExtractionQuality.GOOD, extraction_a=without_floor(measured_a, floor_a))


LIVE_ZERO_V = 0.1
"""A transducer that gives this much with the motor off has a live zero: far more than a code and its noise,
so that no voltage can only be a broken wire. Below it, no voltage is a motor at rest. Own choice."""


def level_reading(
    codes: Sequence[int],
    times_s: Sequence[float],
    *,
    cycles: int,
    mains_hz: float,
    volts_per_code: float,
    volts_per_ampere: float,
    zero_v: float,
) -> ExtractionReading:
    """Judge one window of a rectifying transducer, whose mean voltage follows the RMS current.

    Over whole mains cycles its ripple averages out. With uneven spacing, a ripple of twice the mains and the
    share r of the level moves the mean by at most r·b of it, b as at the head of this module. Only the
    highest code is clipping: the lowest is a motor at rest, or else (with a live zero) a broken wire.

    Args:
        codes: raw codes, 0 to 1023.
        times_s: when each was taken, rising, any origin; samples a whole window after the first do not count.
        cycles: whole mains cycles in the window.
        mains_hz: 50 or 60.
        volts_per_code: supply over 1024.
        volts_per_ampere: the transducer's slope.
        zero_v: its voltage with the motor off; from :data:`LIVE_ZERO_V` on, a code of 0 or a mean below half
            of it is a broken wire, and unreadable.
    """
    if any(code >= HIGHEST_CODE for code in codes):
        return ExtractionReading(quality=ExtractionQuality.CLIPPED)
    window_s = cycles / mains_hz
    inside = sum(1 for time_s in times_s if time_s - times_s[0] < window_s)
    codes, times_s = codes[:inside], times_s[:inside]
    if inside < FEWEST_PER_CYCLE * cycles or spacing_bound(times_s, window_s, mains_hz) > WORST_SPACING:
        return ExtractionReading(quality=ExtractionQuality.TOO_FEW_SAMPLES)
    mean_v = sum(map(mul, codes, ring_weights(times_s, window_s))) * volts_per_code
    if zero_v >= LIVE_ZERO_V and (min(codes) <= LOWEST_CODE or mean_v < zero_v / 2):
        return ExtractionReading(quality=ExtractionQuality.UNREADABLE)
    current_a = max(0.0, (mean_v - zero_v) / volts_per_ampere)
    return ExtractionReading(quality=ExtractionQuality.GOOD, extraction_a=current_a)
