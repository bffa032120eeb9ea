"""RMS against closed forms, numpy and the stated error bounds.

Closed forms are mathematics; where a figure came from elsewhere the parameter says so.
"""

from math import pi, sin, sqrt
from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from station.measurement.rms import (
    CODES,
    level_reading,
    ring_weights,
    rms_about_mean,
    spacing_bound,
    without_floor,
)

N = 100_000
TURN = [(n + 0.5) / N for n in range(N)]


def triangle(x: float) -> float:
    """One turn of a triangle of amplitude 1."""
    return 4 * abs(x - 0.5) - 1


@pytest.mark.parametrize(
    ("values", "rms"),
    [
        pytest.param([sin(2 * pi * x) for x in TURN], 1 / sqrt(2), id="closed form: sine, 1/√2"),
        pytest.param([1.0 if x < 0.5 else -1.0 for x in TURN], 1.0, id="closed form: square, 1"),
        pytest.param([triangle(x) for x in TURN], 1 / sqrt(3), id="closed form: triangle, 1/√3"),
        pytest.param(
            [sin(2 * pi * x) if x % 0.5 >= 0.25 else 0.0 for x in TURN],
            0.5,
            id="closed form: phase cut at 90°, 1/2",
        ),
        pytest.param(
            [max(0.0, sin(2 * pi * x)) for x in TURN],
            sqrt(1 / 4 - 1 / pi**2),
            id="closed form: half wave less its mean, √(1/4 - 1/π²)",
        ),
        pytest.param([1, 2, 3, 4, 5], sqrt(2), id="closed form: 1 to 5, √2"),
    ],
)
def test_closed_forms(values: list[float], rms: float) -> None:
    """Known waveforms have their known RMS about the mean."""
    assert rms_about_mean(values) == pytest.approx(rms, abs=1e-6)


@given(st.lists(st.integers(0, 1023), min_size=1, max_size=400))
def test_agrees_with_numpy(codes: list[int]) -> None:
    """Numpy's ``std`` gives the same for any codes."""
    assert rms_about_mean(codes) == pytest.approx(float(np.std(codes)), abs=1e-9)


@given(st.integers(0, 2**32), st.integers(20, 200))
def test_weighted_agrees_with_numpy(seed: int, count: int) -> None:
    """Numpy's weighted average of squared deviations gives the same for any samples at any times."""
    random = Random(seed)
    times_s = sorted(random.uniform(0.0, 0.1) for _ in range(count))
    codes = [random.randrange(1024) for _ in range(count)]
    weights = ring_weights(times_s, 0.1)
    mean = np.average(codes, weights=weights)
    expected = float(np.sqrt(np.average((np.array(codes) - mean) ** 2, weights=weights)))
    assert rms_about_mean(codes, weights) == pytest.approx(expected, rel=1e-9)


@settings(max_examples=200)
@given(
    st.integers(0, 2**32),
    st.sampled_from([50, 60]),
    st.integers(20, 60),
    st.floats(0, 2 * pi),
    st.floats(0.0, 0.95),
)
def test_jitter_stays_within_the_bound(
    seed: int, mains_hz: int, per_cycle: int, phase: float, lateness: float
) -> None:
    """Samples late at random leave a sine's RMS within the trapezoidal rule's remainder (mathematics)."""
    random = Random(seed)
    step_s = 1 / (mains_hz * per_cycle)
    times_s = [(n + lateness * random.random()) * step_s for n in range(5 * per_cycle)]
    values = [512 + 300 * sin(2 * pi * mains_hz * t + phase) for t in times_s]
    window_s = 5 / mains_hz
    off = rms_about_mean(values, ring_weights(times_s, window_s)) / (300 / sqrt(2)) - 1
    assert abs(off) <= spacing_bound(times_s, window_s, mains_hz)


def test_bound_of_even_spacing() -> None:
    """Twenty even samples a cycle are bounded by (2π/20)²/6 to first order, and are in truth exact."""
    times_s = [n / 1000 for n in range(100)]
    assert spacing_bound(times_s, 0.1, 50) == pytest.approx((2 * pi / 20) ** 2 / 6, rel=0.02)


@pytest.mark.parametrize(
    ("cycles", "worst_percent"),
    [
        pytest.param(10.5, 0.092, id="1 - √(1 - 8/(2πN)²), N 10.5"),
        pytest.param(5.5, 0.3355, id="1 - √(1 - 8/(2πN)²), N 5.5"),
        pytest.param(5.0, 0.0, id="whole cycles, N 5"),
    ],
)
def test_part_cycles_cost_what_the_closed_form_says(cycles: float, worst_percent: float) -> None:
    """A window that is not whole cycles is off by the closed form's worst case, and never by more."""
    worst = 0.0
    for step in range(64):
        phase = step * pi / 64
        values = [sin(2 * pi * cycles * (n + 0.5) / 4000 + phase) for n in range(4000)]
        worst = max(worst, abs(rms_about_mean(values) * sqrt(2) - 1))
    assert 100 * worst == pytest.approx(worst_percent, abs=0.002)


@pytest.mark.parametrize(
    ("volts_per_ampere", "lsb_a", "noise_a", "clips_a"),
    [
        pytest.param(33 / 2000, 0.19531, 0.05638, 70.711, id="100 A : 50 mA, 33 Ω"),
        pytest.param(10 * 33 / 2000, 0.019531, 0.00564, 7.071, id="100 A : 50 mA, 33 Ω, ten turns"),
        pytest.param(1 / 30, 0.09668, 0.02791, 35.002, id="30 A : 1 V"),
    ],
)
def test_scale_of_common_transformers(
    volts_per_ampere: float, lsb_a: float, noise_a: float, clips_a: float
) -> None:
    """One code, its rounding noise and the clipping current follow from 1024 codes (MCP3008, DS21295)."""
    per_code_a = 3.3 / CODES / volts_per_ampere
    assert per_code_a == pytest.approx(lsb_a, abs=1e-5)
    assert per_code_a / sqrt(12) == pytest.approx(noise_a, abs=1e-5)
    assert per_code_a * 512 / sqrt(2) == pytest.approx(clips_a, abs=1e-3)


def test_rounding_noise_is_a_code_over_root_twelve() -> None:
    """Codes of a slow ramp scatter about it by 1/√12 of a code (closed form of a uniform error)."""
    errors = [x * 1000 - int(x * 1000) for x in TURN]
    assert rms_about_mean(errors) == pytest.approx(1 / sqrt(12), rel=1e-3)


def test_independent_noise_comes_off_in_quadrature() -> None:
    """A sine of known RMS in noise of known RMS is found again, for variances add (closed form)."""
    random = Random(7)
    noisy = [sqrt(2) * 0.10 * sin(2 * pi * 50 * x) + random.gauss(0.0, 0.111) for x in TURN]
    assert without_floor(rms_about_mean(noisy), 0.111) == pytest.approx(0.10, abs=0.002)


@pytest.mark.parametrize("ripple", [0.0, 0.05, 0.3])
@pytest.mark.parametrize("mains_hz", [50, 60])
def test_level_over_whole_cycles_is_free_of_ripple(ripple: float, mains_hz: int) -> None:
    """The mean of a level with ripple at twice the mains over whole cycles is the level (closed form)."""
    count, cycles = 250, 5
    times_s = [n * cycles / mains_hz / count for n in range(count)]
    level_v = 1.5
    codes = [round((level_v * (1 + ripple * sin(4 * pi * mains_hz * t))) * 1024 / 3.3) for t in times_s]
    found = level_reading(
        codes, times_s, cycles=cycles, mains_hz=mains_hz, volts_per_code=3.3 / 1024,
        volts_per_ampere=2.0, zero_v=0.5,
    )  # fmt: skip
    assert found.extraction_a == pytest.approx((level_v - 0.5) / 2.0, abs=1e-3)


@given(st.integers(0, 2**32), st.floats(0.0, 0.9))
def test_level_at_uneven_times_agrees_with_numpy(seed: int, lateness: float) -> None:
    """Numpy's ``trapezoid`` over the window closed into a ring gives the same mean for any codes."""
    random = Random(seed)
    times_s = [(n + lateness * random.random()) / 1000 for n in range(100)]
    codes = [random.randrange(1023) for _ in range(100)]
    found = level_reading(
        codes, times_s, cycles=5, mains_hz=50, volts_per_code=0.001, volts_per_ampere=1.0, zero_v=0.0
    )
    mean = np.trapezoid([*codes, codes[0]], [*times_s, times_s[0] + 0.1]) / 0.1
    assert found.extraction_a == pytest.approx(float(mean) / 1000, rel=1e-9)
