"""Heat arithmetic against published and independently computed figures.

Mean kinetic temperature: USP <1160> (USP 29) with ΔH = 83.144 kJ/mol and R = 8.3144 J/(mol·K), so ΔH/R =
10 000 K. The check values were computed with 50 digits and agree with a log-sum-exp; both are done again here
by other means than the code's: decimal arithmetic, and numpy's logaddexp.
"""

from decimal import Decimal, localcontext
from itertools import accumulate

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import expi

from shared.heat import (
    DELTA_H_OVER_R_K,
    KELVIN,
    Run,
    clip,
    duration_s,
    equivalent_min,
    max_rise_c_per_min,
    mean_c,
    mean_kinetic_c,
    time_above_s,
)

Stretch = tuple[float, float]  # seconds, °C

MIN, HOUR = 60.0, 3600.0


def steps(stretches: list[Stretch]) -> Run:
    """A record that holds each temperature for its time and jumps between them."""
    ends = list(accumulate(seconds for seconds, _ in stretches))
    starts = [0.0, *ends[:-1]]
    points = [
        (at_s, plate_c)
        for start_s, end_s, (_, plate_c) in zip(starts, ends, stretches, strict=True)
        for at_s in (start_s, end_s)
    ]
    return Run("b", tuple(points))


def decimal_kinetic_c(stretches: list[Stretch]) -> float:
    """The definition of USP <1160> in decimal arithmetic of 50 digits."""
    with localcontext() as context:
        context.prec = 50
        zero_c, ratio_k = Decimal("273.15"), Decimal(10_000)
        whole = sum(Decimal(seconds) for seconds, _ in stretches)
        dose = sum(
            Decimal(seconds) * (-ratio_k / (Decimal(plate_c) + zero_c)).exp()
            for seconds, plate_c in stretches
        )
        return float(ratio_k / -(dose / whole).ln() - zero_c)


def numpy_kinetic_c(stretches: list[Stretch]) -> float:
    """The same by numpy's log of a sum of exponentials."""
    seconds, plates = np.array(stretches).T
    log_dose = np.logaddexp.reduce(np.log(seconds) - 10_000 / (plates + 273.15))
    return float(10_000 / (np.log(seconds.sum()) - log_dose) - 273.15)


PUBLISHED = [
    pytest.param([(HOUR, 25.0)], 25.0, id="constant 25"),
    pytest.param([(HOUR, 20.0), (HOUR, 30.0)], 26.2599, id="20 and 30 equally"),
    pytest.param([(HOUR, 20.0), (HOUR, 25.0), (HOUR, 30.0)], 25.8582, id="20, 25, 30 equally"),
    pytest.param([(HOUR, 15.0), (HOUR, 25.0), (HOUR, 35.0)], 28.1965, id="15, 25, 35 equally"),
    pytest.param([(23 * HOUR, 20.0), (1 * HOUR, 40.0)], 22.4479, id="23 h at 20, 1 h at 40"),
    pytest.param([(50 * MIN, 25.0), (10 * MIN, 80.0)], 59.2774, id="50 min at 25, 10 min at 80"),
    pytest.param([(HOUR, 90.0), (HOUR, 100.0), (HOUR, 110.0)], 102.1214, id="90, 100, 110 equally"),
    pytest.param([(10 * MIN, 80.0), (5 * MIN, 100.0)], 90.0382, id="10 min at 80, 5 min at 100"),
    pytest.param(
        [(2 * HOUR, 20.0), (4 * HOUR, 2.0), (HOUR, 25.0)], 15.6776, id="2 h at 20, 4 h at 2, 1 h at 25"
    ),
]


@pytest.mark.parametrize(("stretches", "kinetic_c"), PUBLISHED)
def test_kinetic_mean_is_the_check_value_when_temperatures_are_held(
    stretches: list[Stretch], kinetic_c: float
) -> None:
    """MKT by USP <1160> to 0.0005 °C against the check value, decimal arithmetic and numpy."""
    found = mean_kinetic_c([steps(stretches)])
    assert found == pytest.approx(decimal_kinetic_c(stretches), abs=1e-8)
    assert found == pytest.approx(numpy_kinetic_c(stretches), abs=1e-8)
    assert found == pytest.approx(kinetic_c, abs=0.0005)


def test_kinetic_mean_is_not_the_wrong_published_one_when_temperatures_are_held() -> None:
    """A published example says 10.096 °C, below the mean of 10.43 °C: impossible, and not reproduced."""
    run = steps([(2 * HOUR, 20.0), (4 * HOUR, 2.0), (HOUR, 25.0)])
    assert mean_c([run]) == pytest.approx((2 * 20 + 4 * 2 + 25) / 7)
    found = mean_kinetic_c([run])
    assert found is not None
    assert found > 10.43
    assert abs(found - 10.096) > 5


def test_kinetic_mean_hardly_depends_on_the_gas_constants_digits_when_computed() -> None:
    """R = 8.314462618 (CODATA 2018) instead of 8.3144 changes 59.2774 °C to 59.2773 °C, no more."""
    stretches = [(50 * MIN, 25.0), (10 * MIN, 80.0)]
    seconds, plates = np.array(stretches).T
    ratio_k = 83_144 / 8.314462618
    log_dose = np.logaddexp.reduce(np.log(seconds) - ratio_k / (plates + 273.15))
    other = ratio_k / (np.log(seconds.sum()) - log_dose) - 273.15
    assert other == pytest.approx(59.2773, abs=0.00005)
    assert mean_kinetic_c([steps(stretches)]) == pytest.approx(other, abs=0.0002)


@given(
    st.lists(
        st.tuples(st.integers(1, 86_400).map(float), st.integers(-200, 1300).map(lambda c: c / 10)),
        min_size=1,
        max_size=6,
    )
)
def test_kinetic_mean_agrees_with_numpy_whatever_is_held(stretches: list[Stretch]) -> None:
    """Any record of held temperatures has numpy's mean kinetic temperature."""
    assert mean_kinetic_c([steps(stretches)]) == pytest.approx(numpy_kinetic_c(stretches), abs=1e-7)


@pytest.mark.parametrize(("from_c", "to_c"), [(20.0, 120.0), (99.0, 101.0), (60.0, 61.4), (100.0, 22.0)])
def test_kinetic_mean_agrees_with_a_fine_sum_when_the_plate_ramps(from_c: float, to_c: float) -> None:
    """On a straight line MKT is that of 100 000 midpoints (numpy), to 0.02 °C."""
    middles = from_c + (to_c - from_c) * (np.arange(100_000) + 0.5) / 100_000
    log_mean = np.logaddexp.reduce(-10_000 / (middles + 273.15)) - np.log(len(middles))
    fine_c = 10_000 / -log_mean - 273.15
    assert mean_kinetic_c([Run("b", ((0.0, from_c), (600.0, to_c)))]) == pytest.approx(fine_c, abs=0.02)


def test_constants_are_those_of_the_convention_when_read() -> None:
    """ΔH/R = 10 000 K (USP <1160>: 83.144 kJ/mol over 8.3144 J/(mol·K)); 0 °C = 273.15 K (SI)."""
    assert pytest.approx(83.144e3 / 8.3144) == DELTA_H_OVER_R_K
    assert KELVIN == 273.15


# Arrhenius factors for 83.144 kJ/mol with R = 8.314462618 J/(mol·K), computed; each to 0.1 %.
FACTORS = [(25, 35, 2.9696), (25, 80, 185.6), (25, 100, 846.609), (80, 90, 2.181), (80, 100, 4.5617)]


@pytest.mark.parametrize(("from_c", "to_c", "factor"), FACTORS)
def test_equivalent_minutes_are_the_arrhenius_factor_when_a_minute_is_hotter(
    from_c: float, to_c: float, factor: float
) -> None:
    """A minute at the higher temperature counts as the factor's minutes at the lower one, and back."""
    hot, cold = steps([(MIN, float(to_c))]), steps([(MIN, float(from_c))])
    assert equivalent_min([hot], from_c) == pytest.approx(factor, rel=0.001)
    assert equivalent_min([cold], to_c) == pytest.approx(1 / factor, rel=0.001)


def test_equivalent_minutes_and_kinetic_mean_tell_one_dose_when_compared() -> None:
    """The dose of a record is that of its whole time at its mean kinetic temperature (USP <1160>)."""
    run = steps([(50 * MIN, 25.0), (10 * MIN, 80.0), (5 * MIN, 110.0)])
    kinetic_c = mean_kinetic_c([run])
    assert kinetic_c is not None
    held = steps([(65 * MIN, kinetic_c)])
    assert equivalent_min([run]) == pytest.approx(equivalent_min([held]))


TRAPEZIUM = Run("b", ((0.0, 80.0), (10.0, 100.0), (20.0, 100.0), (30.0, 80.0)))


def test_time_above_is_the_check_value_when_the_record_is_a_trapezium() -> None:
    """80, 100, 100, 80 °C at 0, 10, 20, 30: 20 above 90 on straight lines (computed)."""
    assert time_above_s([TRAPEZIUM], 90) == pytest.approx(20, abs=1e-9)


def test_area_above_is_the_check_value_when_cut_at_the_crossings() -> None:
    """The same record has an area of 150 above 90 °C (quadrature with breakpoints); clipping gives 200."""
    above = clip(TRAPEZIUM, 5, 25)
    assert above is not None
    mean = mean_c([above])
    assert mean is not None
    assert (mean - 90) * duration_s([above]) == pytest.approx(150, abs=1e-9)
    clipped = np.maximum([c for _, c in TRAPEZIUM.points], 90) - 90
    assert np.trapezoid(clipped, [t for t, _ in TRAPEZIUM.points]) == pytest.approx(200)


HELD = [(10 * MIN, 25.0), (15 * MIN, 80.0), (5 * MIN, 100.0), (30 * MIN, 90.0), (30 * MIN, 25.0)]


@pytest.mark.parametrize(
    ("threshold_c", "seconds"), [(25, 5400), (80, 3000), (90, 2100), (100, 300), (101, 0)]
)
def test_time_above_is_that_of_the_distribution_when_temperatures_are_held(
    threshold_c: float, seconds: float
) -> None:
    """2400 s at 25, 900 s at 80, 300 s at 100, 1800 s at 90: step-hold, as another library has it."""
    assert time_above_s([steps(HELD)], threshold_c) == seconds


def test_mean_is_that_of_the_distribution_when_temperatures_are_held() -> None:
    """The same distribution has a mean of 60.0 °C."""
    assert mean_c([steps(HELD)]) == pytest.approx(60.0)


def sampled(curve, whole_s: int) -> Run:
    """A curve as the record keeps it: a mean for each second at its middle, both ends as they are."""
    inner = [(at + 0.5, float(np.mean(curve(at + np.linspace(0.05, 0.95, 10))))) for at in range(whole_s)]
    return Run("b", ((0.0, float(curve(0.0))), *inner, (float(whole_s), float(curve(float(whole_s))))))


@pytest.mark.parametrize("threshold_c", [60, 80, 100, 110])
def test_time_above_is_the_closed_form_of_an_exponential(threshold_c: int) -> None:
    """A plate that comes up from 25 to 120 °C with a time constant of 90 s: t = tau ln((120-25)/(120-th))."""
    tau_s, whole_s = 90.0, 900
    run = sampled(lambda t: 120 - 95 * np.exp(-t / tau_s), whole_s)
    crossing_s = tau_s * np.log(95 / (120 - threshold_c))
    assert time_above_s([run], threshold_c) == pytest.approx(whole_s - crossing_s, abs=0.02)


def test_mean_is_the_closed_form_of_an_exponential() -> None:
    """The mean of 120 - 95 e^(-t/90) over 900 s is 120 - 95 (90/900) (1 - e^-10)."""
    run = sampled(lambda t: 120 - 95 * np.exp(-t / 90.0), 900)
    assert mean_c([run]) == pytest.approx(120 - 9.5 * (1 - np.exp(-10)), abs=1e-3)


@pytest.mark.parametrize(("from_c", "to_c", "whole_s"), [(25, 100, 600), (100, 40, 300), (80, 81, 1000)])
def test_kinetic_mean_is_the_closed_form_of_a_ramp(from_c: float, to_c: float, whole_s: int) -> None:
    """The integral of exp(-D/T) over a ramp in T is T exp(-D/T) + D Ei(-D/T), Ei by scipy."""
    ratio_k = 10_000.0

    def primitive(kelvin: float) -> float:
        return float(kelvin * np.exp(-ratio_k / kelvin) + ratio_k * expi(-ratio_k / kelvin))

    low_k, high_k = sorted((from_c + 273.15, to_c + 273.15))
    mean = (primitive(high_k) - primitive(low_k)) / (high_k - low_k)
    closed_c = -ratio_k / np.log(mean) - 273.15
    run = sampled(lambda t: from_c + (to_c - from_c) * t / whole_s, whole_s)
    assert mean_kinetic_c([run]) == pytest.approx(closed_c, abs=2e-3)
    assert equivalent_min([run]) == pytest.approx(
        whole_s / 60 * np.exp(ratio_k * (1 / 373.15 - 1 / (closed_c + 273.15))), rel=1e-3
    )


@pytest.mark.parametrize("threshold_c", [60, 80, 100])
def test_time_above_is_the_closed_form_of_a_ramp(threshold_c: int) -> None:
    """From 25 to 110 °C in 850 s, a tenth of a degree a second; crossings lie between samples."""
    run = sampled(lambda t: 25 + t / 10, 850)
    assert time_above_s([run], threshold_c) == pytest.approx((110 - threshold_c) * 10, abs=1e-6)
    assert max_rise_c_per_min([run]) == pytest.approx(6.0, abs=1e-6)


def test_steepest_rise_is_the_closed_form_of_an_exponential() -> None:
    """The steepest minute of 120 - 95 e^(-t/90) is its first: 95 (1 - e^(-60/90)) °C."""
    run = sampled(lambda at: 120 - 95 * np.exp(-at / 90), 900)
    assert max_rise_c_per_min([run]) == pytest.approx(95 * (1 - np.exp(-60 / 90)), abs=0.01)
