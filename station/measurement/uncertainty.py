"""An uncertainty budget for the plate's reading, as the GUM (JCGM 100:2008) wants it.

Each line's amount becomes a standard uncertainty by its distribution and, times its sensitivity, a
contribution. Contributions, taken as independent, add in quadrature; the expanded uncertainty is twice that
(k = 2, about 95 %). The plate's own budget is about the plate's surface: what a panel lags behind it is no
part of it.
"""

from collections.abc import Sequence
from math import isfinite, sqrt
from typing import Literal, NamedTuple, TypeAlias

from station.measurement.coefficients import Letter

Distribution: TypeAlias = Literal["rectangular", "normal", "certificate"]
WireClass: TypeAlias = Literal[1, 2, 3]

COVERAGE = 2.0


class Line(NamedTuple):
    """One source of doubt.

    ``amount``: half-width for ``rectangular`` (u = amount/√3), standard uncertainty for ``normal``, expanded
    uncertainty for ``certificate`` (u = amount/k). ``sensitivity``: by how much the result moves with it.
    """

    name: str
    amount: float
    distribution: Distribution = "rectangular"
    sensitivity: float = 1.0
    k: float = 2.0


class Contribution(NamedTuple):
    """A line, its standard uncertainty, its contribution in the result's unit, its share of the variance."""

    line: Line
    standard: float
    contribution: float
    share: float


class Budget(NamedTuple):
    """Contributions, in the order of the lines; combined (u_c) and expanded (U = ``k`` · u_c) uncertainty."""

    contributions: tuple[Contribution, ...]
    combined: float
    expanded: float
    k: float = COVERAGE


def standard_uncertainty(line: Line) -> float:
    """The standard uncertainty of a line, in the line's own unit (GUM 4.3).

    Raises:
        ValueError: the amount is negative or no number, ``k`` not above 0, or the distribution unknown.
    """
    if not (isfinite(line.amount) and line.amount >= 0):
        raise ValueError(f"The amount of {line.name!r} is {line.amount!r}, not 0 or more.")
    if line.distribution == "rectangular":
        return line.amount / sqrt(3)
    if line.distribution == "normal":
        return line.amount
    if line.distribution != "certificate":
        raise ValueError(f"The distribution of {line.name!r} is {line.distribution!r}, which is unknown.")
    if not line.k > 0:
        raise ValueError(f"The k of {line.name!r} is {line.k!r}, not above 0.")
    return line.amount / line.k


def combine(lines: Sequence[Line]) -> Budget:
    """The budget of independent lines (GUM 5.1.2 and 6.2.1).

    Raises:
        ValueError: a line makes no sense, see :func:`standard_uncertainty`.
    """
    standards = [standard_uncertainty(line) for line in lines]
    parts = [abs(line.sensitivity) * u for line, u in zip(lines, standards, strict=True)]
    variance = sum(part * part for part in parts)
    contributions = tuple(
        Contribution(line, u, part, part * part / variance if variance else 0.0)
        for line, u, part in zip(lines, standards, parts, strict=True)
    )
    combined = sqrt(variance)
    return Budget(contributions, combined, COVERAGE * combined)


class _Tolerance(NamedTuple):
    lowest_c: float
    highest_c: float
    least_k: float
    share: float


# IEC 60584-1 (before 2013: IEC 60584-2), as restated by public tables that agree with each other.
_TOLERANCES: dict[tuple[Letter, WireClass], _Tolerance] = {
    ("K", 1): _Tolerance(-40, 1000, 1.5, 0.004),
    ("K", 2): _Tolerance(-40, 1200, 2.5, 0.0075),
    ("K", 3): _Tolerance(-200, 40, 2.5, 0.015),
    ("J", 1): _Tolerance(-40, 750, 1.5, 0.004),
    ("J", 2): _Tolerance(-40, 750, 2.5, 0.0075),
    ("N", 1): _Tolerance(-40, 1000, 1.5, 0.004),
    ("N", 2): _Tolerance(-40, 1200, 2.5, 0.0075),
    ("N", 3): _Tolerance(-200, 40, 2.5, 0.015),
    ("T", 1): _Tolerance(-40, 350, 0.5, 0.004),
    ("T", 2): _Tolerance(-40, 350, 1.0, 0.0075),
    ("T", 3): _Tolerance(-200, 40, 1.0, 0.015),
}


def wire_tolerance_c(letter: Letter, wire_class: WireClass, t_c: float) -> float:
    """How far unused thermocouple wire may be off at ``t_c`` °C, ± °C (IEC 60584-1).

    Raises:
        ValueError: the class has no tolerance at that temperature, or there is no such class of the type.
    """
    tolerance = _TOLERANCES.get((letter, wire_class))
    if tolerance is None:
        raise ValueError(f"There is no class {wire_class!r} of type {letter!r}.")
    if not tolerance.lowest_c <= t_c <= tolerance.highest_c:
        raise ValueError(
            f"Class {wire_class} of type {letter} holds from {tolerance.lowest_c:g} to "
            f"{tolerance.highest_c:g} °C, not at {t_c!r} °C."
        )
    return max(tolerance.least_k, tolerance.share * abs(t_c))


CHIP_C = 2.0
"""Accuracy of the chip, ± °C (datasheet 19-5793 for type K, -200 to 700 °C; for J, N and T from memory)."""

STEP_LINE = Line("step of the chip", 0.125)
"""Half of the chip's 0.25 °C (datasheet 19-5793)."""

CONTACT_LINE = Line("contact with the plate", 1.0)
REPEATABILITY_LINE = Line("repeatability", 0.2, "normal")
"""Contact and repeatability: common practice, no source."""

ICE_LINE = Line("ice point", 0.1)
BOIL_LINE = Line("boiling point", 0.055)
"""The references of a calibration, ± °C: an ice flask at a repair bench; a pressure known to 2 hPa."""

DRIFT_LINE = Line("drift of the cold junction", 0.5)
"""How far the chip's error may move with its own temperature once calibrated; common practice, no source."""


def plate_budget(
    letter: Letter = "K",
    wire_class: WireClass = 1,
    *,
    calibrated: bool = False,
    plate_c: float = 80.0,
    linearisation_c: float = 0.0,
    references: Sequence[Line] = (ICE_LINE, BOIL_LINE),
    residual_c: float = 0.1,
) -> Budget:
    """The station's own budget of the plate's reading, °C.

    Args:
        letter: the thermocouple's type.
        wire_class: by IEC 60584-1; has no part once calibrated, the trim takes the wire's error in.
        calibrated: with a trim of two points or more.
        plate_c: the temperature the budget is for, °C.
        linearisation_c: what is left of the straight line's error, ± °C: 0 with the exact correction.
        references: how well the references of the calibration are known.
        residual_c: how far the plate may be off the trim's line, ± °C.

    Raises:
        ValueError: the wire has no tolerance there, or an amount is negative.
    """
    common = (STEP_LINE, Line("linearisation", linearisation_c), CONTACT_LINE, REPEATABILITY_LINE)
    if calibrated:
        return combine((*references, Line("residual of the trim", residual_c), DRIFT_LINE, *common))
    wire = Line(f"wire, type {letter} class {wire_class}", wire_tolerance_c(letter, wire_class, plate_c))
    return combine((wire, Line("chip", CHIP_C), *common))
