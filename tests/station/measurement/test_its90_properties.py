"""Laws of the thermocouple arithmetic that hold at every temperature."""

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from station.measurement.coefficients import TYPES, Letter
from station.measurement.frame import decode, encode
from station.measurement.its90 import chip_reading_c, emf_mv, linearised_c, temperature_c

temperatures = st.floats(-200.0, 1300.0)
letters = st.sampled_from(sorted(TYPES))


@settings(max_examples=500)
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


@settings(max_examples=500)
@given(letters, st.floats(-199.9, 399.0))
def test_inverse_undoes_forward_for_every_type(letter: Letter, t_c: float) -> None:
    """For every type the temperature found for an emf is the one that gave it, to 1e-8 °C up to 399 °C."""
    assert abs(temperature_c(emf_mv(t_c, letter), letter) - t_c) < 1e-8


@given(st.floats(-1e-3, 1.0))
def test_inverse_undoes_forward_across_the_seam_of_type_j(past_c: float) -> None:
    """Type J's branches meet at 760 °C; just below and up to a degree above, the inverse holds to 1e-6 °C."""
    assert abs(temperature_c(emf_mv(760.0 + past_c, "J"), "J") - 760.0 - past_c) < 1e-6


@given(letters, st.floats(-20.0, 390.0), st.floats(-20.0, 85.0))
def test_correction_undoes_the_chip_of_every_type(letter: Letter, true_c: float, junction_c: float) -> None:
    """For every type, correcting what the chip makes of a temperature gives it back, to 1e-7 °C."""
    chip_c = chip_reading_c(true_c, junction_c, letter)
    assert abs(linearised_c(chip_c, junction_c, letter) - true_c) < 1e-7


@pytest.mark.parametrize("letter", ["S", "k", "", None])
def test_a_type_that_is_not_here_is_refused(letter: Any) -> None:
    """A letter of no type here is an error of the caller's, not a temperature out of range."""
    with pytest.raises(LookupError, match="no thermocouple type"):
        emf_mv(100.0, letter)
    with pytest.raises(LookupError, match="no thermocouple type"):
        decode(encode(100.0, 25.0), letter=letter)


@pytest.mark.parametrize("letter", ["J", "N", "T"])
def test_decode_corrects_by_the_letter(letter: Letter) -> None:
    """A frame is corrected by the type it is said to come from, not as type K."""
    reading = decode(encode(100.0, 25.0), letter=letter)
    assert reading.plate_c == linearised_c(100.0, 25.0, letter)
    assert reading.plate_c != decode(encode(100.0, 25.0)).plate_c


@given(st.floats(-269.0, 1371.0), st.floats(0.01, 1.0))
def test_emf_rises_with_temperature(t_c: float, rise_c: float) -> None:
    """A hotter junction always gives more emf (an inverse exists)."""
    assert emf_mv(t_c + rise_c) > emf_mv(t_c)


@given(st.floats(-20.0, 400.0), st.floats(-20.0, 85.0))
def test_correction_undoes_the_chip(true_c: float, cold_junction_c: float) -> None:
    """Correcting what the chip makes of a temperature gives that temperature back, to 1e-7 °C.

    At 0 °C the published coefficients themselves leave a step of 2e-9 mV, which is 5e-8 °C.
    """
    assert abs(linearised_c(chip_reading_c(true_c, cold_junction_c), cold_junction_c) - true_c) < 1e-7


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
