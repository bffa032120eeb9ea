"""Type K thermocouple: emf and temperature on ITS-90, both ways, and the straight line of a MAX31855.

Coefficients: NIST SRD 60 (Monograph 175), all twelve digits, reference junction at 0 °C, emf in mV.
The temperature for an emf is found by Newton's method on the forward function, so it carries none of the
0.05 °C band of the published inverse polynomials; those serve only as the first guess.

Cold junctions are accounted for in volts: temperatures are never added.
"""

from math import exp

CHIP_MV_PER_C = 0.041276
"""The one slope the MAX31855 assumes for type K (datasheet 19-5793)."""

LOWEST_C, HIGHEST_C = -270.0, 1372.0
INVERSE_LOWEST_C = -200.0

# Highest power first, as Horner's rule wants them.
_BELOW_ZERO = (
    -0.163226974860e-22, -0.198892668780e-19, -0.104516093650e-16, -0.310888728940e-14, -0.574103274280e-12,
    -0.675090591730e-10, -0.499048287770e-08, -0.328589067840e-06, 0.236223735980e-04, 0.394501280250e-01,
    0.0,
)  # fmt: skip
_ABOVE_ZERO = (
    -0.121047212750e-25, 0.971511471520e-22, -0.320207200030e-18, 0.560750590590e-15, -0.560728448890e-12,
    0.318409457190e-09, -0.994575928740e-07, 0.185587700320e-04, 0.389212049750e-01, -0.176004136860e-01,
)  # fmt: skip
# The magnetic ordering of the positive leg: a bump centred near 127 °C, inside the plate's range.
_BUMP_MV, _BUMP_PER_C2, _BUMP_CENTRE_C = 0.118597600000, -0.118343200000e-03, 126.9686

_GUESS_BELOW_ZERO = (
    -5.1920577e-4, -0.010450598, -0.086632643, -0.37342377, -0.89773540, -1.0833638, -1.1662878, 25.173462,
    0.0,
)  # fmt: skip
_GUESS_TO_500 = (
    -1.052755e-8, 1.057734e-6, -4.413030e-5, 9.804036e-4, -1.228034e-2, 8.315270e-2, -2.503131e-1,
    7.860106e-2, 25.08355, 0.0,
)  # fmt: skip
_GUESS_FROM_500 = (-3.110810e-8, 8.802193e-6, -9.650715e-4, 5.464731e-2, -1.646031, 48.30222, -131.8058)
_MV_AT_500 = 20.644

# A Newton step of size s leaves an error below 0.01 s² over the whole range: 1e-4 °C leaves 1e-10 °C.
_LAST_STEP_C = 1e-4


def _horner(coefficients: tuple[float, ...], x: float) -> float:
    total = 0.0
    for coefficient in coefficients:
        total = total * x + coefficient
    return total


def _forward(t_c: float) -> float:
    if t_c <= 0.0:
        return _horner(_BELOW_ZERO, t_c)
    from_centre_c = t_c - _BUMP_CENTRE_C
    return _horner(_ABOVE_ZERO, t_c) + _BUMP_MV * exp(_BUMP_PER_C2 * from_centre_c * from_centre_c)


def emf_mv(t_c: float) -> float:
    """The emf in mV at ``t_c`` °C, reference junction at 0 °C (NIST SRD 60).

    Raises:
        ValueError: ``t_c`` is outside -270 to 1372 °C, or no number.
    """
    if not LOWEST_C <= t_c <= HIGHEST_C:
        raise ValueError(f"Type K is defined from {LOWEST_C} to {HIGHEST_C} °C, not at {t_c!r} °C.")
    return _forward(t_c)


_LOWEST_MV = emf_mv(INVERSE_LOWEST_C)
_HIGHEST_MV = emf_mv(HIGHEST_C)


def temperature_c(emf_mv: float) -> float:
    """The temperature in °C whose emf, reference junction at 0 °C, is ``emf_mv``; to 1e-9 °C.

    Raises:
        ValueError: ``emf_mv`` is not the emf of a temperature from -200 to 1372 °C.
    """
    if not _LOWEST_MV <= emf_mv <= _HIGHEST_MV:
        raise ValueError(
            f"Type K gives {_LOWEST_MV:.3f} to {_HIGHEST_MV:.3f} mV from -200 to 1372 °C, not {emf_mv!r} mV."
        )
    if emf_mv <= 0.0:
        return _newton_below_zero(emf_mv)
    return _newton_above_zero(emf_mv)


def _newton_below_zero(emf_mv: float) -> float:
    t_c = _horner(_GUESS_BELOW_ZERO, emf_mv)
    step_c = 1.0
    while abs(step_c) > _LAST_STEP_C:
        value = slope = 0.0
        for coefficient in _BELOW_ZERO:
            slope = slope * t_c + value
            value = value * t_c + coefficient
        step_c = (value - emf_mv) / slope
        t_c -= step_c
    return t_c


def _newton_above_zero(emf_mv: float) -> float:
    # The branch follows the sign of the emf, not of the iterate: the two branches differ by 2e-9 mV at 0 °C,
    # and an iterate that hopped between them would not come to rest.
    t_c = _horner(_GUESS_TO_500 if emf_mv <= _MV_AT_500 else _GUESS_FROM_500, emf_mv)
    step_c = 1.0
    while abs(step_c) > _LAST_STEP_C:
        value = slope = 0.0
        for coefficient in _ABOVE_ZERO:
            slope = slope * t_c + value
            value = value * t_c + coefficient
        from_centre_c = t_c - _BUMP_CENTRE_C
        bump_mv = _BUMP_MV * exp(_BUMP_PER_C2 * from_centre_c * from_centre_c)
        slope += 2.0 * _BUMP_PER_C2 * from_centre_c * bump_mv
        step_c = (value + bump_mv - emf_mv) / slope
        t_c -= step_c
    return t_c


def linearised_c(chip_c: float, cold_junction_c: float) -> float:
    """The true temperature in °C behind a reading of the chip's straight line.

    The chip's own arithmetic is undone to the voltage it measured; the cold junction's emf is added to it.

    Raises:
        ValueError: the pair stands for no temperature from -200 to 1372 °C.
    """
    return temperature_c(CHIP_MV_PER_C * (chip_c - cold_junction_c) + emf_mv(cold_junction_c))


def chip_reading_c(true_c: float, cold_junction_c: float) -> float:
    """What the chip's straight line makes of ``true_c`` °C, before it rounds: :func:`linearised_c` backwards.

    Raises:
        ValueError: either temperature is outside -270 to 1372 °C.
    """
    return cold_junction_c + (emf_mv(true_c) - emf_mv(cold_junction_c)) / CHIP_MV_PER_C
