"""The boiling point of water at the bench: IAPWS-IF97 and the standard atmosphere.

The pressure is the station's own, read where the water boils. A weather report's figure is reduced to sea
level and would put the boiling point 3.3 °C high at 1000 m.
"""

from math import sqrt

LOWEST_MPA, HIGHEST_MPA = 611.213e-6, 22.064
"""Where IAPWS-IF97's equation 31 holds: 0 °C to the critical point."""

LOWEST_HPA, HIGHEST_HPA = 500.0, 1100.0
"""Station pressures that any bench can have; own choice."""

LOWEST_M, HIGHEST_M = -500.0, 5000.0
"""Altitudes that any bench can have; own choice."""

KELVIN_C = 273.15

# IAPWS-IF97 table 34, n1 to n10.
_N1, _N2, _N3 = 0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2
_N4, _N5, _N6 = 0.12020824702470e5, -0.32325550322333e7, 0.14915108613530e2
_N7, _N8 = -0.48232657361591e4, 0.40511340542057e6
_N9, _N10 = -0.23855557567849, 0.65017534844798e3


def saturation_k(pressure_mpa: float) -> float:
    """The temperature in K at which water boils under ``pressure_mpa`` MPa (IAPWS-IF97, equation 31).

    Raises:
        ValueError: the pressure is outside 611.213 Pa to 22.064 MPa, or no number.
    """
    if not LOWEST_MPA <= pressure_mpa <= HIGHEST_MPA:
        raise ValueError(
            f"Water boils between {LOWEST_MPA} and {HIGHEST_MPA} MPa, not at {pressure_mpa!r} MPa."
        )
    square = sqrt(pressure_mpa)
    beta = sqrt(square)
    e = square + _N3 * beta + _N6
    f = _N1 * square + _N4 * beta + _N7
    g = _N2 * square + _N5 * beta + _N8
    d = 2 * g / (-f - sqrt(f * f - 4 * e * g))
    return (_N10 + d - sqrt((_N10 + d) ** 2 - 4 * (_N9 + _N10 * d))) / 2


def boiling_point_c(station_pressure_hpa: float) -> float:
    """The temperature in °C at which pure water boils at a bench (IAPWS-IF97).

    Args:
        station_pressure_hpa: as the barometer on the bench shows it, not reduced to sea level; hPa.

    Raises:
        ValueError: no bench has that pressure.
    """
    if not LOWEST_HPA <= station_pressure_hpa <= HIGHEST_HPA:
        raise ValueError(
            f"The station pressure is {station_pressure_hpa!r} hPa, not between {LOWEST_HPA:g} and "
            f"{HIGHEST_HPA:g} hPa."
        )
    return saturation_k(station_pressure_hpa * 1e-4) - KELVIN_C


def station_pressure_hpa(altitude_m: float) -> float:
    """The mean pressure in hPa at an altitude (ICAO standard atmosphere, lowest layer).

    Weather moves the true pressure some 20 hPa either way (common practice, no source), and the boiling point
    with it by 0.55 °C: a barometer is better.

    Args:
        altitude_m: above sea level, m.

    Raises:
        ValueError: no bench stands there.
    """
    if not LOWEST_M <= altitude_m <= HIGHEST_M:
        raise ValueError(f"The altitude is {altitude_m!r} m, not between {LOWEST_M:g} and {HIGHEST_M:g} m.")
    return 1013.25 * float((1.0 - 2.25577e-5 * altitude_m) ** 5.25588)
