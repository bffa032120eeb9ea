"""Judging a window of a rectifying transducer: scale, refusals, live and dead zero, uneven spacing."""

from collections.abc import Sequence
from math import pi, sin
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shared.readings import ExtractionQuality, ExtractionReading
from station.measurement.rms import LIVE_ZERO_V, WORST_SPACING, level_reading, spacing_bound

WINDOW_S = 0.1
EVEN_S = [n / 1000 for n in range(100)]


def judge(
    codes: Sequence[int],
    times_s: Sequence[float] = EVEN_S,
    *,
    zero_v: float = 0.0,
    volts_per_code: float = 0.001,
) -> ExtractionReading:
    """One window of five 50 Hz cycles, one millivolt a code and one volt an ampere."""
    return level_reading(
        codes,
        times_s,
        cycles=5,
        mains_hz=50,
        volts_per_code=volts_per_code,
        volts_per_ampere=1.0,
        zero_v=zero_v,
    )


@pytest.mark.parametrize(
    ("code", "zero_v", "current_a"),
    [
        pytest.param(420, 0.0, 0.42, id="0.42 V at 1 V/A"),
        pytest.param(920, 0.5, 0.42, id="the same above a live zero of 0.5 V"),
        pytest.param(500, 0.5, 0.0, id="the zero itself"),
        pytest.param(490, 0.5, 0.0, id="a little below the zero is no negative current"),
        pytest.param(0, 0.0, 0.0, id="code 0 is a motor at rest"),
        pytest.param(0, LIVE_ZERO_V - 0.001, 0.0, id="and so with a zero that is not live"),
    ],
)
def test_level_is_a_straight_line_from_its_zero(code: int, zero_v: float, current_a: float) -> None:
    """Closed form: (volts - zero) / slope, never below 0."""
    found = judge([code] * 100, zero_v=zero_v)
    assert found.quality is ExtractionQuality.GOOD
    assert found.extraction_a == pytest.approx(current_a, abs=1e-9)


@pytest.mark.parametrize(("code", "clipped"), [(1023, True), (1022, False), (0, False)])
def test_only_the_highest_code_is_clipping(code: int, clipped: bool) -> None:
    """One code 1023 may hide any voltage above it (10 bits, DS21295); code 0 hides nothing."""
    codes = [420] * 100
    codes[37] = code
    assert (judge(codes).quality is ExtractionQuality.CLIPPED) is clipped


@pytest.mark.parametrize(
    "codes",
    [
        pytest.param([0] * 100, id="no voltage at all"),
        pytest.param([920] * 99 + [0], id="a wire that breaks within the window"),
        pytest.param([49] * 100, id="less than half of the zero"),
    ],
)
def test_no_voltage_on_a_live_zero_is_a_broken_wire(codes: list[int]) -> None:
    """Own rule: with a zero of 0.1 V, 100 codes, a whole wire gives neither 0 nor half the zero."""
    assert judge(codes, zero_v=LIVE_ZERO_V) == ExtractionReading(quality=ExtractionQuality.UNREADABLE)


def test_half_of_a_live_zero_is_still_a_reading() -> None:
    """Own rule: the limit itself, 50 of 100 codes, is a motor at rest."""
    assert judge([50] * 100, zero_v=LIVE_ZERO_V).extraction_a == 0.0


@pytest.mark.parametrize("count", [0, 1, 99])
def test_fewer_than_twenty_a_cycle_are_too_few(count: int) -> None:
    """Common practice, no source: ninety-nine samples of five cycles are refused, a hundred are not."""
    assert judge([420] * count, EVEN_S[:count]).quality is ExtractionQuality.TOO_FEW_SAMPLES
    assert judge([420] * 100).quality is ExtractionQuality.GOOD


def test_samples_after_the_window_do_not_count() -> None:
    """A sample taken past the last whole cycle does not help to fill the window (own rule)."""
    late_s = [*EVEN_S[:-1], 0.1001]
    assert judge([420] * 100, late_s).quality is ExtractionQuality.TOO_FEW_SAMPLES


def test_a_long_hole_is_too_few_samples() -> None:
    """A hundred samples with half a cycle missing between them are refused, as of a transformer."""
    holed_s = [t if t < 0.05 else 0.06 + (t - 0.05) * 0.79 for t in EVEN_S]
    assert spacing_bound(holed_s, WINDOW_S, 50) > WORST_SPACING
    assert judge([420] * 100, holed_s).quality is ExtractionQuality.TOO_FEW_SAMPLES


@settings(max_examples=200)
@given(st.integers(0, 2**32), st.floats(0, 2 * pi), st.floats(0.0, 0.5), st.floats(0.0, 0.9))
def test_ripple_at_uneven_times_stays_within_the_bound(
    seed: int, phase: float, ripple: float, lateness: float
) -> None:
    """Closed form: off by at most r·ω²·Σh³/(3T) of the level (trapezoidal remainder), and half a code."""
    random = Random(seed)
    times_s = [t + 0.001 * lateness * random.random() for t in EVEN_S]
    codes = [round(500 * (1 + ripple * sin(2 * pi * 100 * t + phase))) for t in times_s]
    after_s = [*times_s[1:], times_s[0] + WINDOW_S]
    cubes = sum((later - t) ** 3 for t, later in zip(times_s, after_s, strict=True))
    bound_a = 0.5 * ripple * (2 * pi * 50) ** 2 * cubes / (3 * WINDOW_S)
    found = judge(codes, times_s)
    assert found.extraction_a is not None
    assert abs(found.extraction_a - 0.5) <= bound_a + 0.0005 + 1e-12
