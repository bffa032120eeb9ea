"""What a calibration refuses and why, and the boiling point's and the budget's refusals."""

import re
from typing import Any

import pytest

from station.measurement.calibration import (
    CalibrationError,
    ReferencePoint,
    Trim,
    fit_extraction,
    fit_trim,
    steady_mean,
)
from station.measurement.saturation import boiling_point_c, saturation_k, station_pressure_hpa
from station.measurement.uncertainty import Line, combine, plate_budget, wire_tolerance_c

NAN = float("nan")


def points(*pairs: tuple[float, float]) -> list[ReferencePoint]:
    """Steady points of (reading, reference)."""
    return [ReferencePoint(*pair) for pair in pairs]


@pytest.mark.parametrize(
    ("given_points", "problems"),
    [
        pytest.param([], ["no reference point"], id="none"),
        pytest.param(points((NAN, 0.0)), ["no number"], id="no number"),
        pytest.param([ReferencePoint(0.2, 0.0, 0.51)], ["wander by 0.51"], id="unsteady"),
        pytest.param(points((0, 0), (29, 29.9)), ["29.9 °C apart"], id="too close"),
        pytest.param(points((0, 0), (0, 99)), ["do not rise"], id="stuck"),
        pytest.param(points((0, 0), (10, 2), (5, 99)), ["do not rise"], id="falls in between"),
        pytest.param(points((0, 0), (90, 99)), ["gain comes out as 1.1000"], id="gain"),
        pytest.param(points((0, 5.1)), [r"offset comes out as \+5.10"], id="offset"),
        pytest.param(points((0, 0), (50, 53), (100, 100)), [r"at 53 °C lies \+2.00 °C off"], id="residual"),
        pytest.param(
            [ReferencePoint(20, 0, 0.6), ReferencePoint(10, 20, 0.7)],
            ["at 0 °C wander", "at 20 °C wander", "20.0 °C apart", "do not rise"],
            id="everything at once",
        ),
    ],
)
def test_nonsense_is_refused_with_every_reason(
    given_points: list[ReferencePoint], problems: list[str]
) -> None:
    """Each refusal says all that is wrong, in order, and nothing else."""
    with pytest.raises(CalibrationError) as refusal:
        fit_trim(given_points)
    found = refusal.value.problems
    assert len(found) == len(problems)
    assert [bool(re.search(*pair)) for pair in zip(problems, found, strict=True)] == [True] * len(problems)


@pytest.mark.parametrize(
    ("edge", "over"),
    [
        (points((0, 0), (30, 30)), points((0, 0), (29.99, 29.99))),
        (points((0, 0), (100, 104.99)), points((0, 0), (100, 105.01))),
        (points((0, 0), (100, 95.01)), points((0, 0), (100, 94.99))),
        (points((0, -5.0)), points((0, -5.01))),
        ([ReferencePoint(0, 0, 0.5)], [ReferencePoint(0, 0, 0.501)]),
    ],
)
def test_limits_are_where_they_are_said_to_be(edge: list[ReferencePoint], over: list[ReferencePoint]) -> None:
    """Just inside every limit is accepted, just outside refused."""
    assert isinstance(fit_trim(edge), Trim)
    with pytest.raises(CalibrationError):
        fit_trim(over)


def test_one_point_gives_an_offset_only() -> None:
    """One point moves the scale and does not stretch it."""
    assert fit_trim(points((0.75, 0.0))) == Trim(1.0, -0.75, (0.0,), None)


def test_repeated_references_may_swap_their_readings() -> None:
    """Two ice points a hundredth apart, read the other way round, are noise and no fault."""
    trim = fit_trim(points((0.10, 0.00), (0.08, 0.01), (100.1, 100.0)))
    assert trim.gain == pytest.approx(1.0, abs=0.001)


def test_steady_mean_of_samples() -> None:
    """Mean and sample standard deviation of 1 to 5 are 3 and √2.5 (by hand)."""
    assert steady_mean([1, 2, 3, 4, 5]) == pytest.approx((3.0, 2.5**0.5), abs=1e-12)


@pytest.mark.parametrize("samples", [[], [1.0], [1.0, NAN], [1.0, float("inf")]])
def test_steady_mean_refuses_too_little(samples: list[float]) -> None:
    """One sample has no spread, and a sample that is no number has no mean."""
    with pytest.raises(CalibrationError):
        steady_mean(samples)


OFF_A = [0.010, 0.011, 0.009, 0.010, 0.012, 0.010, 0.010, 0.009, 0.011, 0.010]
ON_A = [0.42, 0.43, 0.41, 0.42, 0.42, 0.43, 0.42, 0.41, 0.42, 0.42]


def test_band_of_a_sound_extractor() -> None:
    """Thresholds lie in order between floor and band, with a deadband, at the shares said."""
    band = fit_extraction(OFF_A, ON_A)
    assert 3 * band.floor_a < band.lost_a < band.proven_a < band.low_a < band.running_a < band.high_a
    assert band.running_a == pytest.approx(0.42, abs=0.001)
    assert (band.lost_a, band.proven_a) == pytest.approx((0.43 * band.running_a, 0.6 * band.running_a))
    assert (band.low_a, band.high_a) == pytest.approx((0.9 * band.running_a, 1.1 * band.running_a))


def test_band_widens_with_the_waver() -> None:
    """A current that wavers more than its tenth gets a band of three standard deviations."""
    band = fit_extraction(OFF_A, [0.40, 0.44] * 5)
    assert band.high_a - band.running_a == pytest.approx(3 * band.running_sd_a)
    assert band.running_sd_a > 0.1 * band.running_a / 3


@pytest.mark.parametrize(
    ("off_a", "on_a", "problem"),
    [
        (OFF_A[:9], ON_A, "9 windows with the fan off"),
        (OFF_A, [], "0 windows with the fan on"),
        (OFF_A, [*ON_A, NAN], "no number"),
        ([-0.1] * 10, ON_A, "negative"),
        ([0.1] * 10, ON_A, "cannot be told apart.*more turns.*smaller transformer.*larger burden.*2 times"),
        (OFF_A, OFF_A, "cannot be told apart"),
        ([0.1] * 10, [0.1] * 10, "cannot be told apart.*a signal is needed"),
        ([0.07] * 10, ON_A, "too weak over a floor.*more turns.*2 times"),
        ([0.0] * 10, [0.03] * 10, "too weak.*more turns"),
        (OFF_A, [0.2, 0.6] * 5, "wavers by"),
    ],
)
def test_extraction_that_proves_nothing_is_refused(off_a: Any, on_a: Any, problem: str) -> None:
    """Too few windows, no distance from the floor, or a wavering current are refused, with what to change."""
    with pytest.raises(CalibrationError, match=problem):
        fit_extraction(off_a, on_a)


@pytest.mark.parametrize(
    ("work", "value"),
    [
        (boiling_point_c, 499.9), (boiling_point_c, 1100.1), (boiling_point_c, 101325.0),
        (boiling_point_c, NAN),
        (station_pressure_hpa, -501.0), (station_pressure_hpa, 5001.0), (station_pressure_hpa, NAN),
        (saturation_k, 0.000611), (saturation_k, 22.1), (saturation_k, NAN),
    ],
)  # fmt: skip
def test_pressures_of_no_bench_are_refused(work: Any, value: float) -> None:
    """Out of range, in the wrong unit or no number: refused, not extrapolated."""
    with pytest.raises(ValueError, match="not"):
        work(value)


@pytest.mark.parametrize(
    "line",
    [Line("x", -1.0), Line("x", NAN), Line("x", 1.0, "certificate", k=0), Line("x", 1.0, "odd")],  # type: ignore[arg-type]
)
def test_lines_that_make_no_sense_are_refused(line: Line) -> None:
    """A negative amount, no number, a k of 0 or an unknown distribution is no budget line."""
    with pytest.raises(ValueError, match="of 'x' is"):
        combine([line])


@pytest.mark.parametrize(
    ("letter", "wire_class", "t_c"), [("K", 1, -41), ("K", 1, 1001), ("J", 3, 0), ("K", 4, 0), ("T", 2, NAN)]
)
def test_wire_without_a_tolerance_is_refused(letter: Any, wire_class: Any, t_c: float) -> None:
    """Outside its class's range a wire has no tolerance to count on."""
    with pytest.raises(ValueError, match=r"class|Class"):
        wire_tolerance_c(letter, wire_class, t_c)


def test_shares_of_a_budget_make_a_whole() -> None:
    """The shares of the variance add up to one, and of nothing to nothing."""
    assert sum(part.share for part in plate_budget().contributions) == pytest.approx(1.0)
    assert combine([Line("x", 0.0)]).contributions[0].share == 0.0
