"""The plate's trim against worked numbers, numpy's least squares and the trap of trimming too early."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.measurement.calibration import ReferencePoint, apply, fit_trim
from station.measurement.its90 import chip_reading_c, linearised_c

# Boiling at 1013.25 hPa, the other reference of the trap's table.
BOIL_C = 99.974


def test_two_points_give_the_worked_line() -> None:
    """Readings 0.75 and 98.50 for 0 and 99.2 °C (worked by hand) give the gain, offset and 80 °C worked."""
    trim = fit_trim([ReferencePoint(0.75, 0.0), ReferencePoint(98.50, 99.2)])
    assert trim.gain == pytest.approx(1.0148338, abs=5e-8)
    assert trim.offset_c == pytest.approx(-0.7611253, abs=5e-8)
    assert apply(trim.gain, trim.offset_c, 80.0) == pytest.approx(80.4256, abs=5e-5)


def raw_trim(cold_junction_c: float) -> tuple[float, float]:
    """The line through what a type K chip itself reads at 0 and 100 °C: the mistake."""
    trim = fit_trim([ReferencePoint(chip_reading_c(t_c, cold_junction_c), t_c) for t_c in (0.0, BOIL_C)])
    return trim.gain, trim.offset_c


@pytest.mark.parametrize(
    ("cold_junction_c", "true_c", "created_k"),
    [(25, 60, -0.519), (25, 80, -0.252), (25, 120, 0.108), (40, 60, -0.334), (40, 120, 0.293)],
)
def test_trimming_the_chips_own_readings_creates_errors(
    cold_junction_c: float, true_c: float, created_k: float
) -> None:
    """Two points on uncorrected readings bend the scale in between, as computed beforehand from NIST SRD 60.

    The table gives the error at the cold junction named, of a line fitted at 25 °C.
    """
    gain, offset_c = raw_trim(25)
    error_k = apply(gain, offset_c, chip_reading_c(true_c, cold_junction_c)) - true_c
    assert error_k == pytest.approx(created_k, abs=0.002)


@pytest.mark.parametrize("cold_junction_c", [15, 25, 40])
@pytest.mark.parametrize("true_c", [60.0, 80.0, 100.0, 120.0])
def test_trimming_corrected_readings_creates_none(cold_junction_c: float, true_c: float) -> None:
    """After the ITS-90 correction (NIST SRD 60) a sound sensor gets no trim, at any junction."""
    readings_c = [linearised_c(chip_reading_c(t_c, 25.0), 25.0) for t_c in (0.0, BOIL_C)]
    trim = fit_trim([ReferencePoint(readings_c[0], 0.0), ReferencePoint(readings_c[1], BOIL_C)])
    corrected_c = linearised_c(chip_reading_c(true_c, cold_junction_c), cold_junction_c)
    assert apply(trim.gain, trim.offset_c, corrected_c) == pytest.approx(true_c, abs=1e-6)


@given(
    st.floats(0.96, 1.04),
    st.floats(-3, 3),
    st.lists(st.floats(-0.3, 0.3), min_size=3, max_size=12),
)
def test_many_points_agree_with_numpy(gain: float, offset_c: float, noise_c: list[float]) -> None:
    """Polyfit of numpy gives the same line, and numpy the same standard deviation of the residuals."""
    readings_c = np.linspace(0.0, 130.0, len(noise_c))
    references_c = gain * readings_c + offset_c + np.array(noise_c)
    trim = fit_trim([ReferencePoint(*pair) for pair in zip(readings_c, references_c, strict=True)])
    slope, constant = np.polyfit(readings_c, references_c, 1)
    assert trim.gain == pytest.approx(slope, abs=1e-9)
    assert trim.offset_c == pytest.approx(constant, abs=1e-7)
    residuals_c = references_c - (slope * readings_c + constant)
    assert trim.residuals_c == pytest.approx(list(residuals_c), abs=1e-7)
    expected_sd_c = float(np.sqrt((residuals_c**2).sum() / (len(noise_c) - 2)))
    assert trim.residual_sd_c == pytest.approx(expected_sd_c, abs=1e-7)
