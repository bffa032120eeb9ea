"""Laws of the type K arithmetic that hold at every temperature."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from station.measurement.its90 import chip_reading_c, emf_mv, linearised_c, temperature_c

temperatures = st.floats(-200.0, 1300.0)


@settings(deadline=None, max_examples=500)
@given(temperatures)
def test_inverse_undoes_forward(t_c: float) -> None:
    """The temperature found for an emf is the one that gave it, to 1e-9 °C from -200 to 1300 °C."""
    assert abs(temperature_c(emf_mv(t_c)) - t_c) < 1e-9


@pytest.mark.parametrize("exponent", range(-12, 0))
@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_inverse_undoes_forward_across_the_seam(sign: float, exponent: int) -> None:
    """The two branches meet at 0 °C without a place where the inverse fails."""
    t_c = sign * 10.0**exponent
    assert abs(temperature_c(emf_mv(t_c)) - t_c) < 1e-9


def test_nothing_at_the_reference_junction_temperature() -> None:
    """At 0 °C there is exactly no emf, and no emf means exactly 0 °C."""
    assert emf_mv(0.0) == 0.0
    assert temperature_c(0.0) == 0.0


@settings(deadline=None)
@given(st.floats(-269.0, 1371.0), st.floats(0.01, 1.0))
def test_emf_rises_with_temperature(t_c: float, rise_c: float) -> None:
    """A hotter junction always gives more emf (an inverse exists)."""
    assert emf_mv(t_c + rise_c) > emf_mv(t_c)


@settings(deadline=None)
@given(st.floats(-20.0, 400.0), st.floats(-20.0, 85.0))
def test_correction_undoes_the_chip(true_c: float, cold_junction_c: float) -> None:
    """Correcting what the chip makes of a temperature gives that temperature back, to 1e-7 °C.

    At 0 °C the published coefficients themselves leave a step of 2e-9 mV, which is 5e-8 °C.
    """
    assert abs(linearised_c(chip_reading_c(true_c, cold_junction_c), cold_junction_c) - true_c) < 1e-7


@settings(deadline=None)
@given(st.floats(-20.0, 85.0))
def test_chip_is_right_at_its_own_temperature(cold_junction_c: float) -> None:
    """With both junctions alike the straight line has no error to make."""
    assert chip_reading_c(cold_junction_c, cold_junction_c) == cold_junction_c
    assert abs(linearised_c(cold_junction_c, cold_junction_c) - cold_junction_c) < 1e-7


@pytest.mark.parametrize("t_c", [-270.001, 1372.001, float("nan"), float("inf"), float("-inf")])
def test_forward_refuses_what_type_k_is_not_defined_for(t_c: float) -> None:
    """Outside -270 to 1372 °C there is no emf to give."""
    with pytest.raises(ValueError, match="Type K is defined"):
        emf_mv(t_c)


@pytest.mark.parametrize("mv", [-5.9, 54.9, float("nan"), float("inf")])
def test_inverse_refuses_what_no_temperature_gives(mv: float) -> None:
    """An emf of no temperature from -200 to 1372 °C is refused, not extrapolated."""
    with pytest.raises(ValueError, match="Type K gives"):
        temperature_c(mv)
