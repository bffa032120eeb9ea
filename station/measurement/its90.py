"""Thermocouples of types K, J, N and T: emf and temperature on ITS-90, both ways; the line of a chip.

The reference functions are those of NIST SRD 60 (IEC 60584-1), reference junction at 0 °C, emf in mV: see
:mod:`station.measurement.coefficients`. The temperature for an emf is found by Newton's method on the forward
function, so it carries none of the 0.05 °C band of the published inverse polynomials; those serve only as the
first guess.

Cold junctions are accounted for in volts: temperatures are never added.
"""

from math import exp

from station.measurement.coefficients import TYPES, Letter, ThermocoupleType

CHIP_MV_PER_C = TYPES["K"].chip_mv_per_c
"""The one slope the MAX31855 assumes for type K (datasheet 19-5793); :func:`chip_mv_per_c` for any type."""

# A Newton step of size s leaves an error below 0.01 s² for every type: 1e-4 °C leaves 1e-10 °C.
_LAST_STEP_C = 1e-4


def _type_of(letter: Letter) -> ThermocoupleType:
    try:
        return TYPES[letter]
    except KeyError:
        raise LookupError(f"There is no thermocouple type {letter!r}, only {', '.join(TYPES)}.") from None


def _emf_mv(kind: ThermocoupleType, t_c: float) -> float:
    if not kind.lowest_c <= t_c <= kind.highest_c:
        raise ValueError(
            f"Type {kind.letter} is defined from {kind.lowest_c} to {kind.highest_c} °C, not at {t_c!r} °C."
        )
    polynomial, bump = kind.lower if t_c <= kind.seam_c else kind.upper
    emf_mv = 0.0
    for coefficient in polynomial:
        emf_mv = emf_mv * t_c + coefficient
    if bump is None:
        return emf_mv
    bump_mv, per_c2, centre_c = bump
    from_centre_c = t_c - centre_c
    return emf_mv + bump_mv * exp(per_c2 * from_centre_c * from_centre_c)


# Of each type: lowest emf with a temperature, emf at the seam, highest emf, in mV.
_SPANS_MV = {
    letter: (_emf_mv(kind, kind.inverse_lowest_c), _emf_mv(kind, kind.seam_c), _emf_mv(kind, kind.highest_c))
    for letter, kind in TYPES.items()
}


def _temperature_c(kind: ThermocoupleType, emf_mv: float) -> float:
    lowest_mv, seam_mv, highest_mv = _SPANS_MV[kind.letter]
    if not lowest_mv <= emf_mv <= highest_mv:
        raise ValueError(
            f"Type {kind.letter} gives {lowest_mv:.3f} to {highest_mv:.3f} mV from {kind.inverse_lowest_c:g} "
            f"to {kind.highest_c:g} °C, not {emf_mv!r} mV."
        )
    t_c = 0.0
    for up_to_mv, guess in kind.guesses:
        if emf_mv <= up_to_mv:
            for coefficient in guess:
                t_c = t_c * emf_mv + coefficient
            break
    # The branch follows the emf, not the iterate: the branches differ by some 1e-9 mV where they meet, and an
    # iterate that hopped between them would not come to rest.
    polynomial, bump = kind.lower if emf_mv <= seam_mv else kind.upper
    step_c = 1.0
    while abs(step_c) > _LAST_STEP_C:
        value = slope = 0.0
        for coefficient in polynomial:
            slope = slope * t_c + value
            value = value * t_c + coefficient
        if bump is not None:
            bump_mv, per_c2, centre_c = bump
            from_centre_c = t_c - centre_c
            lift_mv = bump_mv * exp(per_c2 * from_centre_c * from_centre_c)
            value += lift_mv
            slope += 2.0 * per_c2 * from_centre_c * lift_mv
        step_c = (value - emf_mv) / slope
        t_c -= step_c
    return t_c


def emf_mv(t_c: float, letter: Letter = "K") -> float:
    """The emf in mV at ``t_c`` °C, reference junction at 0 °C (NIST SRD 60).

    Args:
        t_c: of the measuring junction, °C.
        letter: the thermocouple's type.

    Raises:
        ValueError: the type is not defined at ``t_c``, or ``t_c`` is no number.
        LookupError: there is no such type.
    """
    return _emf_mv(_type_of(letter), t_c)


def temperature_c(emf_mv: float, letter: Letter = "K") -> float:
    """The temperature in °C whose emf, reference junction at 0 °C, is ``emf_mv``; to 1e-9 °C.

    Args:
        emf_mv: mV.
        letter: the thermocouple's type.

    Raises:
        ValueError: no temperature from -200 °C (type J: -210 °C) to the type's highest gives that emf.
        LookupError: there is no such type.
    """
    return _temperature_c(_type_of(letter), emf_mv)


def chip_mv_per_c(letter: Letter = "K") -> float:
    """The one slope in mV/°C that a MAX31855 of this type assumes.

    Source: datasheet 19-5793; the figures for J, N and T are from memory, see
    :mod:`station.measurement.coefficients`.

    Raises:
        LookupError: there is no such type.
    """
    return _type_of(letter).chip_mv_per_c


def linearised_c(chip_c: float, cold_junction_c: float, letter: Letter = "K") -> float:
    """The true temperature in °C behind a reading of the chip's straight line.

    The chip's own arithmetic is undone to the voltage it measured; the cold junction's emf is added to it.

    Args:
        chip_c: as the chip gives it, °C.
        cold_junction_c: of the same frame, °C.
        letter: the type of the thermocouple and of the chip.

    Raises:
        ValueError: the pair stands for no temperature :func:`temperature_c` can give.
        LookupError: there is no such type.
    """
    kind = _type_of(letter)
    measured_mv = kind.chip_mv_per_c * (chip_c - cold_junction_c)
    return _temperature_c(kind, measured_mv + _emf_mv(kind, cold_junction_c))


def chip_reading_c(true_c: float, cold_junction_c: float, letter: Letter = "K") -> float:
    """What the chip's straight line makes of ``true_c`` °C, before it rounds: :func:`linearised_c` backwards.

    Args:
        true_c: of the measuring junction, °C.
        cold_junction_c: of the chip, °C.
        letter: the type of the thermocouple and of the chip.

    Raises:
        ValueError: the type is not defined at one of the temperatures.
        LookupError: there is no such type.
    """
    kind = _type_of(letter)
    return cold_junction_c + (_emf_mv(kind, true_c) - _emf_mv(kind, cold_junction_c)) / kind.chip_mv_per_c
