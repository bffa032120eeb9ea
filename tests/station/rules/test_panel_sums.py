"""The sums of trend and forecast against numpy's least squares and hand-reckoned first-order answers."""

from math import inf, log

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.rules.panel import Panel, TimeToGo, Trend, advance, plate_trend, time_to_reach_s

# Seconds before now, not evenly spaced: five a second at first, then fewer and fewer.
UNEVEN_S = [-25.0 + 0.2 * n for n in range(25)] + [-19.0, -17.0, -14.0, -11.0, -8.0, -5.0, -3.0, -1.0, 0.0]


def curve(now_c: float, rate: float, bend: float, times_s: list[float]) -> list[tuple[float, float]]:
    """Now + rate·u + bend·u² at these times, the last of them 1000 s after the start."""
    return [(1000.0 + u, now_c + rate * u + bend * u * u) for u in times_s]


@given(st.floats(30, 120), st.floats(0.05, 1.5), st.floats(20, 2400))
def test_a_parabola_is_found_exactly_however_it_is_sampled(now_c: float, rate: float, fade_s: float) -> None:
    """A first-order approach bends by -rate/(2·T) (Taylor's series): place, rate and T come back."""
    trend = plate_trend(curve(now_c, rate, -rate / (2 * fade_s), UNEVEN_S))
    assert trend is not None
    assert trend.plate_c == pytest.approx(now_c, abs=1e-7)
    assert trend.rate_c_per_s == pytest.approx(rate, rel=1e-6)
    assert trend.time_constant_s == pytest.approx(fade_s, rel=1e-3)


def test_uneven_samples_that_scatter_are_fitted_as_numpy_fits_them() -> None:
    """Least squares of second degree, numpy.polyfit, on readings that scatter by hundredths of a degree."""
    scatter = np.random.default_rng(7).normal(0.0, 0.05, len(UNEVEN_S))
    samples = [(t, c + off) for (t, c), off in zip(curve(80.0, 0.6, -0.004, UNEVEN_S), scatter, strict=True)]
    bend, rate, now_c = np.polyfit(UNEVEN_S, [c for _, c in samples], 2)
    trend = plate_trend(samples)
    assert trend is not None
    assert trend.plate_c == pytest.approx(now_c, abs=1e-6)
    assert trend.rate_c_per_s == pytest.approx(rate, rel=1e-6)
    assert trend.time_constant_s == pytest.approx(rate / (-2 * bend), rel=1e-6)


@pytest.mark.parametrize("plate_c", [0.0, 25.0, 100.0])
def test_a_plate_that_does_not_move_stays(plate_c: float) -> None:
    """No rate, no approach."""
    assert plate_trend([(n / 2, plate_c) for n in range(60)]) == Trend(plate_c, 0.0, inf)


@pytest.mark.parametrize(
    ("times_s", "told"),
    [
        pytest.param([n / 2 for n in range(31)], True, id="15 s"),
        pytest.param([n / 2 for n in range(30)], False, id="14.5 s"),
        pytest.param([1000.0 + n / 2 for n in range(30)], False, id="14.5 s, late"),
        pytest.param([*range(0, 27, 3), 25.0], True, id="ten in 25 s"),
        pytest.param([*range(0, 24, 3), 25.0], False, id="nine in 25 s"),
        pytest.param([-0.5, *range(3, 27, 3), 25.0], False, id="the tenth too old"),
    ],
)
def test_a_trend_needs_ten_samples_over_fifteen_seconds(times_s: list[float], told: bool) -> None:
    """Of the last 25 s, edges included; on a cold plate as on a warm one."""
    for now_c in (8.0, 80.0):
        trend = plate_trend([(t, now_c + 0.1 * (t - times_s[-1])) for t in times_s])
        assert (trend is not None) is told
        if trend is not None:
            assert trend.rate_c_per_s == pytest.approx(0.1, rel=1e-6)


def test_after_a_bend_the_shorter_time_is_looked_at() -> None:
    """At rest until 16 s ago, then up 0.5 °C/s: the last 15 s tell, and what was before does not."""
    samples = [(n / 2, 60.0 + 0.5 * max(0.0, n / 2 - 14.0)) for n in range(61)]
    trend = plate_trend(samples)
    assert trend is not None
    assert trend.rate_c_per_s == pytest.approx(0.5, rel=1e-6)
    assert trend.time_constant_s > 1e6


def test_just_after_a_switch_the_last_six_seconds_are_a_straight_line() -> None:
    """A jump 8 s ago fits no curve: numpy.polyfit's line through the last 6 s, both ends in."""
    since = [n / 2 - 30 for n in range(61)]
    samples = [(30 + s, 60.0 if s < -8 else 72.0 + 0.5 * s + 0.02 * s**2) for s in since]
    last = [(t - 30.0, c) for t, c in samples if t >= 24.0]
    assert len(last) == 13
    rate, now_c = np.polyfit([u for u, _ in last], [c for _, c in last], 1)
    trend = plate_trend(samples)
    assert trend is not None
    assert trend.rate_c_per_s == pytest.approx(rate, rel=1e-6)
    assert trend.plate_c == pytest.approx(now_c, abs=1e-6)
    assert trend.time_constant_s == inf


def test_one_sample_in_the_last_six_seconds_is_a_place_and_no_rate() -> None:
    """Torn readings that fit no curve, and one just now: there it is, and nobody can say where it goes."""
    torn = [(float(t), c) for t, c in zip(range(12), [20.0, 90.0] * 6, strict=True)]
    trend = plate_trend([*torn, (20.0, 55.0)])
    assert trend == Trend(55.0, 0.0, inf)


def test_a_panel_without_lag_is_the_plate_and_goes_on_from_there() -> None:
    """Both numbers are the plate's."""
    assert advance(Panel(20.0, 30.0), 50.0, 1.0, 0.0) == Panel(50.0, 50.0)


@pytest.mark.parametrize(("passed_s", "tau_s"), [(inf, 20.0), (1.0, inf)])
def test_a_panel_refuses_times_without_end(passed_s: float, tau_s: float) -> None:
    """Infinite is no time."""
    with pytest.raises(ValueError, match="cannot move on"):
        advance(Panel(20.0, 20.0), 30.0, passed_s, tau_s)


@pytest.mark.parametrize(
    ("trend", "tolerance_c", "plate_s"),
    [
        pytest.param(Trend(97.0, 0.01), 2.0, 100.0, id="the slowest that counts"),
        pytest.param(Trend(62.0, 0.01), 2.0, 3600.0, id="an hour"),
        pytest.param(Trend(61.9, 0.01), 2.0, None, id="over an hour"),
        pytest.param(Trend(98.0, 0.0), 2.0, 0.0, id="at rest at the edge"),
        pytest.param(Trend(102.0, 0.0), 2.0, 0.0, id="at rest at the upper edge"),
        pytest.param(Trend(60.0, 0.5, 76.0), 2.0, None, id="comes to the edge, after for ever"),
        pytest.param(Trend(100.75, -0.125), 0.5, 2.0, id="cools by a quarter of a degree"),
        pytest.param(Trend(100.75, 0.125), 0.5, None, id="runs away"),
    ],
)
def test_the_time_of_the_plate_at_its_edges(trend: Trend, tolerance_c: float, plate_s: float | None) -> None:
    """Way over rate: 1 °C at 0.01 °C/s is 100 s; a rise of 0.5 °C/s that fades in 76 s ends after 38 °C."""
    to_go = time_to_reach_s(trend, None, setpoint_c=100.0, tolerance_c=tolerance_c, tau_s=20.0)
    assert to_go == TimeToGo(plate_s if plate_s is None else pytest.approx(plate_s, abs=1e-9), None)


@pytest.mark.parametrize(
    ("trend", "panel_c", "panel_s"),
    [
        pytest.param(Trend(98.0, 0.0), 98.0, 0.0, id="at the edge"),
        pytest.param(Trend(90.0, 0.5), 102.0, 0.0, id="at the far edge, the plate below"),
        pytest.param(Trend(90.0, 0.5), 102.5, None, id="beyond the far edge"),
        pytest.param(Trend(100.0, 0.0), 97.5, 20 * log(2.5 / 2), id="soon"),
        pytest.param(Trend(100.0, 0.0), 97.95, 20 * log(2.05 / 2), id="within a second"),
        pytest.param(Trend(100.0, 0.0), 102.5, 20 * log(2.5 / 2), id="from above"),
    ],
)
def test_the_time_of_the_panel_at_its_edges(trend: Trend, panel_c: float, panel_s: float | None) -> None:
    """First-order system, textbook: tau·ln(away/edge) behind a plate at 100 °C; 0 exactly when inside."""
    to_go = time_to_reach_s(trend, panel_c, setpoint_c=100.0, tolerance_c=2.0, tau_s=20.0)
    if panel_s in (None, 0.0):
        assert to_go.panel_s == panel_s
    else:
        assert to_go.panel_s == pytest.approx(panel_s, abs=1e-5)


def test_a_hot_panel_on_a_plate_at_the_lower_edge_is_told_a_time() -> None:
    """Into the band at 102 °C: from 103 °C in 20·ln(5/4) s behind 98 °C, 20·ln(3/2) s behind 100."""
    to_go = time_to_reach_s(Trend(98.0, 0.0), 103.0, setpoint_c=100.0, tolerance_c=2.0, tau_s=20.0)
    assert to_go.plate_s == 0.0
    assert to_go.panel_s is not None
    assert 20 * log(5 / 4) - 0.01 <= to_go.panel_s <= 20 * log(3 / 2) + 0.01


@pytest.mark.parametrize("fade_s", [19.999999, 20.0, 20.000001])
def test_a_plate_that_fades_as_slowly_as_the_panel_follows_is_no_special_case(fade_s: float) -> None:
    """Both with 20 s, from 60 °C towards 140 °C: the panel misses 80·(1 + t/20)·e^(-t/20) °C (textbook).

    With a band up to 98 °C, 42 °C short of the end, that is what it misses at the time told.
    """
    to_go = time_to_reach_s(
        Trend(60.0, 80.0 / fade_s, fade_s), 60.0, setpoint_c=139.0, tolerance_c=41.0, tau_s=20.0
    )
    assert to_go.panel_s is not None
    share = to_go.panel_s / 20.0
    assert 80.0 * (1 + share) * np.exp(-share) == pytest.approx(42.0, abs=0.001)
