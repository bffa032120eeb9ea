"""Calibration: what must be done to the plate's reading, and which currents prove the extraction.

The plate's points are readings after the ITS-90 correction and before any trim. A line laid through the
chip's own readings would bend in between: the straight line of a type K chip reads 0.77 °C high in ice and
right near 100 °C.

Nonsense is refused with every reason at once, in words for the person at the bench.
"""

from collections.abc import Sequence
from itertools import combinations
from math import ceil, isfinite, sqrt
from statistics import fmean, stdev
from typing import NamedTuple

from station.measurement.rms import without_floor

LEAST_SPAN_C = 30.0
"""How far apart the references must lie for a gain; own choice."""

LEAST_GAIN, MOST_GAIN = 0.95, 1.05
MOST_OFFSET_C = 5.0
MOST_RESIDUAL_C = 1.0
MOST_SD_C = 0.5
"""Beyond these a calibration says more about the set-up than about the sensor; own choices."""

_RISES_FROM_C = MOST_RESIDUAL_C  # references closer than this may swap their readings by noise alone


class CalibrationError(ValueError):
    """A calibration that must not be used. ``problems`` has every reason, each a sentence."""

    def __init__(self, problems: Sequence[str]) -> None:
        """Refuse for ``problems``."""
        super().__init__(" ".join(problems))
        self.problems = tuple(problems)


class Steady(NamedTuple):
    """Mean and standard deviation (of one sample, n - 1) of a run of samples, in their own unit."""

    mean: float
    sd: float


class ReferencePoint(NamedTuple):
    """A corrected, untrimmed reading beside what the reference says, both °C; ``sd_c`` of the samples."""

    reading_c: float
    reference_c: float
    sd_c: float = 0.0


class Trim(NamedTuple):
    """True temperature = ``gain`` · reading + ``offset_c``.

    ``residuals_c``: reference less trimmed reading, °C, in the order of the points. ``residual_sd_c``: their
    standard deviation with n - 2 degrees of freedom, None below three points.
    """

    gain: float
    offset_c: float
    residuals_c: tuple[float, ...] = ()
    residual_sd_c: float | None = None


def steady_mean(samples_c: Sequence[float]) -> Steady:
    """Mean and standard deviation of samples taken while nothing should change.

    Raises:
        CalibrationError: fewer than two samples, or one that is no number.
    """
    if len(samples_c) < 2:
        raise CalibrationError([f"{len(samples_c)} samples do not show how steady a reading is; two do."])
    if not all(map(isfinite, samples_c)):
        raise CalibrationError(["A sample is no number."])
    return Steady(fmean(samples_c), stdev(samples_c))


def apply(gain: float, offset_c: float, c: float) -> float:
    """The trimmed temperature in °C of a corrected reading of ``c`` °C."""
    return gain * c + offset_c


def fit_trim(points: Sequence[ReferencePoint]) -> Trim:
    """Gain and offset that make the readings agree with the references.

    One point gives an offset, two the line through both, three or more the least-squares line of the
    references on the readings (textbook linear regression).

    Raises:
        CalibrationError: no points, unsteady ones, references too close together for a gain, readings that
            do not rise with the references, or a gain, an offset or a residual that no sound sensor has.
    """
    problems = _problems_of_points(points)
    if problems:
        raise CalibrationError(problems)
    trim = _offset_only(points[0]) if len(points) == 1 else _line(points)
    problems = _problems_of_trim(trim, points)
    if problems:
        raise CalibrationError(problems)
    return trim


def _problems_of_points(points: Sequence[ReferencePoint]) -> list[str]:
    if not points:
        return ["There is no reference point; one gives an offset, two a gain as well."]
    if not all(isfinite(value) for point in points for value in point):
        return ["A reference point has a value that is no number."]
    problems = [
        f"The readings at {point.reference_c:g} °C wander by {point.sd_c:.2f} °C (standard deviation), more "
        f"than {MOST_SD_C:g} °C; wait until they settle."
        for point in points
        if point.sd_c > MOST_SD_C
    ]
    if len(points) == 1:
        return problems
    references_c = [point.reference_c for point in points]
    span_c = max(references_c) - min(references_c)
    if span_c < LEAST_SPAN_C:
        problems.append(
            f"The references lie {span_c:.1f} °C apart, a gain needs {LEAST_SPAN_C:g} °C; use one point for "
            "an offset, or points farther apart."
        )
    if not _rising(points):
        problems.append(
            "The readings do not rise with the references; look at the leads and the points' order."
        )
    return problems


def _rising(points: Sequence[ReferencePoint]) -> bool:
    ordered = sorted(points, key=lambda point: point.reference_c)
    return all(
        hot.reading_c > cold.reading_c
        for cold, hot in combinations(ordered, 2)
        if hot.reference_c - cold.reference_c > _RISES_FROM_C
    )


def _offset_only(point: ReferencePoint) -> Trim:
    return Trim(1.0, point.reference_c - point.reading_c, (0.0,))


def _line(points: Sequence[ReferencePoint]) -> Trim:
    # About the means: the sums stay small and no digits cancel.
    mean_reading_c = fmean(point.reading_c for point in points)
    mean_reference_c = fmean(point.reference_c for point in points)
    square = sum((point.reading_c - mean_reading_c) ** 2 for point in points)
    product = sum(
        (point.reading_c - mean_reading_c) * (point.reference_c - mean_reference_c) for point in points
    )
    gain = product / square
    offset_c = mean_reference_c - gain * mean_reading_c
    residuals_c = tuple(point.reference_c - apply(gain, offset_c, point.reading_c) for point in points)
    freedom = len(points) - 2
    sd_c = sqrt(sum(residual_c**2 for residual_c in residuals_c) / freedom) if freedom else None
    return Trim(gain, offset_c, residuals_c, sd_c)


def _problems_of_trim(trim: Trim, points: Sequence[ReferencePoint]) -> list[str]:
    problems = []
    if not LEAST_GAIN <= trim.gain <= MOST_GAIN:
        problems.append(
            f"The gain comes out as {trim.gain:.4f}, outside {LEAST_GAIN:g} to {MOST_GAIN:g}; look at the "
            "thermocouple's type and the references."
        )
    if abs(trim.offset_c) > MOST_OFFSET_C:
        problems.append(
            f"The offset comes out as {trim.offset_c:+.2f} °C, beyond ±{MOST_OFFSET_C:g} °C; look at the "
            "wiring and the references."
        )
    problems += [
        f"The point at {point.reference_c:g} °C lies {residual_c:+.2f} °C off the line, more than "
        f"{MOST_RESIDUAL_C:g} °C; take it again."
        for point, residual_c in zip(points, trim.residuals_c, strict=True)
        if abs(residual_c) > MOST_RESIDUAL_C
    ]
    return problems


FEWEST_CURRENTS = 10
"""Windows wanted of either state, fan off and fan on; own choice."""

PROVEN_SHARE, LOST_SHARE = 0.60, 0.43
"""Of the running current: what proves the fan and what loses the proof. Common practice, no source."""

BAND_SHARE, BAND_SDS = 0.10, 3.0
"""Half-width of the band of sound running: this share of the current or so many standard deviations,
whichever is wider. Common practice, no source."""

RUNNING_FLOORS, LOST_FLOORS = 5.0, 3.0
"""How many floors the running current and the lost threshold must stand above; own choices."""

LEAST_PROVEN_A = 0.02
"""The smallest threshold the station's limits accept, amperes."""


class ExtractionBand(NamedTuple):
    """What the fan's current says, all RMS amperes; all but the floor are after the floor is taken off.

    ``floor_a``: fan off. ``running_a``, ``running_sd_a``: fan on. ``proven_a`` and ``lost_a``: suggested
    thresholds, a deadband apart. ``low_a`` to ``high_a``: the band of sound running.
    """

    floor_a: float
    running_a: float
    running_sd_a: float
    proven_a: float
    lost_a: float
    low_a: float
    high_a: float


def fit_extraction(off_a: Sequence[float], on_a: Sequence[float]) -> ExtractionBand:
    """Floor, band and suggested thresholds from currents with the fan off and on.

    Args:
        off_a: RMS amperes of whole windows with the fan off, no floor taken off.
        on_a: the same with the fan running steadily, its inrush over.

    Raises:
        CalibrationError: too few windows, or floor and running current cannot be told apart; says what to
            change.
    """
    problems = [
        f"There are {len(currents_a)} windows with the fan {state}, {FEWEST_CURRENTS} are needed."
        for state, currents_a in (("off", off_a), ("on", on_a))
        if len(currents_a) < FEWEST_CURRENTS
    ]
    if not all(isfinite(current_a) and current_a >= 0 for current_a in (*off_a, *on_a)):
        problems.append("A current is negative or no number.")
    if problems:
        raise CalibrationError(problems)
    floor_a = sqrt(fmean(current_a**2 for current_a in off_a))
    running_a, sd_a = steady_mean([without_floor(current_a, floor_a) for current_a in on_a])
    half_a = max(BAND_SHARE * running_a, BAND_SDS * sd_a)
    band = ExtractionBand(
        floor_a=floor_a,
        running_a=running_a,
        running_sd_a=sd_a,
        proven_a=PROVEN_SHARE * running_a,
        lost_a=LOST_SHARE * running_a,
        low_a=running_a - half_a,
        high_a=running_a + half_a,
    )
    problems = _problems_of_band(band)
    if problems:
        raise CalibrationError(problems)
    return band


def _problems_of_band(band: ExtractionBand) -> list[str]:
    floor_a, running_a = band.floor_a, band.running_a
    wanted_a = max(LOST_FLOORS * floor_a / LOST_SHARE, LEAST_PROVEN_A / PROVEN_SHARE)
    if running_a < RUNNING_FLOORS * floor_a:
        found = f"The fan draws {running_a:.3f} A over a floor of {floor_a:.3f} A: they cannot be told apart."
    elif running_a < wanted_a:
        found = f"A proof lost at {band.lost_a:.3f} A is too weak over a floor of {floor_a:.3f} A."
    elif band.low_a <= band.proven_a:
        return [
            f"The running current of {running_a:.3f} A wavers by {band.running_sd_a:.3f} A (standard "
            "deviation), down to the threshold itself; wait until the inrush is over and look at the clamp."
        ]
    else:
        return []
    times = f"at least {ceil(wanted_a / running_a)} times the signal" if running_a > 0 else "a signal"
    return [
        f"{found} Pass more turns through the transformer, use a smaller transformer or a larger burden: "
        f"{times} is needed."
    ]
