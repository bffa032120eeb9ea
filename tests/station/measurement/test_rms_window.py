"""Judging a window of codes: laws of the RMS, refusals, and the floor."""

from collections.abc import Sequence
from math import pi, sin, sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.readings import ExtractionQuality, ExtractionReading
from station.measurement.rms import (
    extraction_reading,
    ring_weights,
    rms_about_mean,
    spacing_bound,
    without_floor,
)

CYCLES, MAINS_HZ, WINDOW_S = 5, 50, 0.1
EVEN_S = [n / 1000 for n in range(100)]


def judge(codes: Sequence[int], times_s: Sequence[float] = EVEN_S, floor_a: float = 0.0) -> ExtractionReading:
    """One window of five 50 Hz cycles, one millivolt a code and one volt an ampere."""
    return extraction_reading(
        codes,
        times_s,
        cycles=CYCLES,
        mains_hz=MAINS_HZ,
        volts_per_code=0.001,
        volts_per_ampere=1.0,
        floor_a=floor_a,
    )


def sine_codes(
    peak: float, times_s: Sequence[float] = EVEN_S, bias: float = 512.0, phase: float = 0.0
) -> list[int]:
    """Codes of a 50 Hz sine, rounded."""
    return [round(bias + peak * sin(2 * pi * MAINS_HZ * t + phase)) for t in times_s]


@given(st.floats(0, 2 * pi), st.floats(-1e3, 1e3), st.floats(0.1, 500))
def test_rms_knows_neither_phase_nor_offset(phase: float, offset: float, peak: float) -> None:
    """A sine over whole cycles has its amplitude over √2, wherever it starts and whatever it rides on."""
    values = [offset + peak * sin(2 * pi * MAINS_HZ * t + phase) for t in EVEN_S]
    assert rms_about_mean(values) == pytest.approx(peak / sqrt(2), rel=1e-9)
    assert rms_about_mean(values, ring_weights(EVEN_S, WINDOW_S)) == pytest.approx(peak / sqrt(2), rel=1e-9)


@given(st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=50), st.floats(0, 100))
def test_rms_scales_with_its_values(values: list[float], factor: float) -> None:
    """Twice the swing is twice the RMS."""
    assert rms_about_mean([factor * v for v in values]) == pytest.approx(
        factor * rms_about_mean(values), rel=1e-6, abs=1e-6
    )


@given(st.lists(st.floats(0.0, 0.0999), min_size=2, max_size=100, unique=True))
def test_weights_share_out_the_whole_window(times_s: list[float]) -> None:
    """No weight is negative and together they are one, however the samples lie."""
    weights = ring_weights(sorted(times_s), WINDOW_S)
    assert min(weights) >= 0.0
    assert sum(weights) == pytest.approx(1.0)


def test_even_spacing_weighs_all_alike() -> None:
    """Evenly spaced samples count the same, so the weighted RMS is the ordinary one."""
    assert ring_weights(EVEN_S, WINDOW_S) == pytest.approx([0.01] * 100)


@pytest.mark.parametrize("code", [0, 1023])
def test_one_code_at_either_end_is_clipping(code: int) -> None:
    """A single code at an end of the scale may hide more, so the window gives no number."""
    codes = sine_codes(100)
    codes[37] = code
    assert judge(codes) == ExtractionReading(quality=ExtractionQuality.CLIPPED)


@pytest.mark.parametrize("code", [1, 1022])
def test_codes_just_inside_the_ends_are_not_clipping(code: int) -> None:
    """The codes next to the ends are real measurements."""
    codes = sine_codes(100)
    codes[37] = code
    assert judge(codes).quality is ExtractionQuality.GOOD


@pytest.mark.parametrize("count", [0, 1, 99])
def test_fewer_than_twenty_a_cycle_are_too_few(count: int) -> None:
    """Ninety-nine samples of five cycles are refused, a hundred are not."""
    assert judge(sine_codes(100)[:count], EVEN_S[:count]).quality is ExtractionQuality.TOO_FEW_SAMPLES


def test_samples_after_the_window_do_not_count() -> None:
    """A sample taken late, past the last whole cycle, does not help to fill the window."""
    late_s = [*EVEN_S[:-1], 0.1001]
    assert judge(sine_codes(100, late_s), late_s).quality is ExtractionQuality.TOO_FEW_SAMPLES


def test_a_long_hole_is_too_few_samples() -> None:
    """A hundred samples with half a cycle missing between them say too little to be believed."""
    holed_s = [t if t < 0.05 else 0.06 + (t - 0.05) * 0.79 for t in EVEN_S]
    assert judge(sine_codes(100, holed_s), holed_s).quality is ExtractionQuality.TOO_FEW_SAMPLES


def test_a_late_burst_is_still_measured() -> None:
    """Three samples taken late in one burst stay within the stated bound, closer than with equal weights."""
    late_s = [0.0289 + n * 0.00002 if 26 <= n < 29 else t for n, t in enumerate(EVEN_S)]
    values = [100 * sin(2 * pi * MAINS_HZ * t) for t in late_s]
    true_rms = 100 / sqrt(2)
    bound = spacing_bound(late_s, WINDOW_S, MAINS_HZ)
    weighted = rms_about_mean(values, ring_weights(late_s, WINDOW_S))
    assert abs(weighted / true_rms - 1) <= bound < 0.05
    assert abs(weighted / true_rms - 1) < abs(rms_about_mean(values) / true_rms - 1)
    assert judge(sine_codes(100, late_s), late_s).quality is ExtractionQuality.GOOD


def test_floor_comes_off_in_quadrature() -> None:
    """0.05 A measured over a floor of 0.03 A are 0.04 A; below the floor there is nothing."""
    assert without_floor(0.05, 0.03) == pytest.approx(0.04)
    assert without_floor(0.02, 0.03) == 0.0
    square = [512 + 50 * (1 if n % 20 < 10 else -1) for n in range(100)]
    assert judge(square, floor_a=0.03).extraction_a == pytest.approx(0.04)


def test_scale_is_volts_per_code_over_volts_per_ampere() -> None:
    """A square wave of 100 codes at 3.3 V / 1024 and 0.165 V/A is 1.953125 A."""
    codes = [512 + 100 * (1 if n % 20 < 10 else -1) for n in range(100)]
    reading = extraction_reading(
        codes,
        EVEN_S,
        cycles=CYCLES,
        mains_hz=MAINS_HZ,
        volts_per_code=3.3 / 1024,
        volts_per_ampere=0.165,
        floor_a=0.0,
    )
    assert reading.extraction_a == pytest.approx(1.953125)


def test_the_rms_of_nothing_is_refused() -> None:
    """No values, or weights that do not match, are mistakes of the program and raise."""
    with pytest.raises(ValueError, match="no values"):
        rms_about_mean([])
    with pytest.raises(ValueError, match="weights"):
        rms_about_mean([1.0, 2.0], [1.0])
