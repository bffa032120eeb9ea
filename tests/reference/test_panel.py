"""The panel's lag against the closed forms of a first-order system, common textbook."""

from math import exp, log

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from station.rules.panel import Panel, Trend, advance, time_to_reach_s

TAU_S = 20.0


@pytest.mark.parametrize("ticks", [1, 7, 100, 3000])
def test_step_response(ticks: int) -> None:
    """First-order system, common textbook: after a step, panel = plate - (plate - start)·e^(-t/tau).

    The same however many ticks the 60 s are cut into.
    """
    panel = Panel(22.0, 100.0)
    for _ in range(ticks):
        panel = advance(panel, 100.0, 60.0 / ticks, TAU_S)
    assert panel.panel_c == pytest.approx(100.0 - 78.0 * exp(-3.0), abs=1e-9)


@pytest.mark.parametrize("ticks", [1, 7, 100, 3000])
def test_ramp_response(ticks: int) -> None:
    """First-order system, common textbook: on a ramp from rest, panel = ramp - rate·tau·(1 - e^(-t/tau))."""
    panel, rate = Panel(22.0, 22.0), 1.3
    for n in range(1, ticks + 1):
        panel = advance(panel, 22.0 + rate * 60.0 * n / ticks, 60.0 / ticks, TAU_S)
    assert panel.panel_c == pytest.approx(22.0 + rate * (60.0 - TAU_S * (1 - exp(-3.0))), abs=1e-9)


def test_one_time_constant_is_63_percent_of_the_way() -> None:
    """First-order system, common textbook: 63.2 % of a step after one time constant."""
    assert advance(Panel(0.0, 100.0), 100.0, TAU_S, TAU_S).panel_c == pytest.approx(63.212, abs=0.0005)


def test_time_of_the_plate_is_the_closed_form() -> None:
    """First-order approach, common textbook: t = -T·ln(1 - way/(rate·T)); a straight line takes way/rate."""
    approach = Trend(60.0, 0.8, 170.0)
    expected_s = -170.0 * log(1 - 38.0 / (0.8 * 170.0))
    togo = time_to_reach_s(approach, None, setpoint_c=100.0, tolerance_c=2.0, tau_s=TAU_S)
    assert togo.plate_s == pytest.approx(expected_s, abs=1e-9)
    line = time_to_reach_s(Trend(60.0, 0.8), None, setpoint_c=100.0, tolerance_c=2.0, tau_s=TAU_S)
    assert line.plate_s == pytest.approx(38.0 / 0.8, abs=1e-9)


def test_time_of_the_panel_on_a_plate_at_rest_is_the_closed_form() -> None:
    """First-order system, common textbook: t = tau·ln((plate - start)/(plate - edge))."""
    togo = time_to_reach_s(Trend(100.0, 0.0), 22.0, setpoint_c=100.0, tolerance_c=2.0, tau_s=TAU_S)
    assert togo.plate_s == 0.0
    assert togo.panel_s == pytest.approx(TAU_S * log(78.0 / 2.0), abs=1e-5)


@settings(max_examples=40)
@given(
    st.floats(0.2, 1.2),
    st.one_of(st.floats(80.0, 400.0), st.just(float("inf")), st.just(TAU_S * 5)),
    st.floats(0.0, 30.0),
    st.sampled_from((5.0, 20.0, 100.0)),
)
def test_time_of_the_panel_agrees_with_a_numerical_solution(
    rate: float, fade_s: float, behind_c: float, tau_s: float
) -> None:
    """At the time foretold, scipy's solve_ivp of plate and panel has the panel at the band's edge."""
    plate_c, setpoint_c, tolerance_c = 60.0, 100.0, 2.0
    togo = time_to_reach_s(
        Trend(plate_c, rate, fade_s),
        plate_c - behind_c,
        setpoint_c=setpoint_c,
        tolerance_c=tolerance_c,
        tau_s=tau_s,
    )

    def plate_at(t: float) -> float:
        risen_c = rate * t if fade_s == float("inf") else rate * fade_s * (1 - exp(-t / fade_s))
        return min(plate_c + risen_c, setpoint_c)

    if togo.panel_s is None:
        assert plate_at(3600.0) < setpoint_c - tolerance_c + 1.0
        return
    solution = solve_ivp(
        lambda t, y: [(plate_at(t) - y[0]) / tau_s],
        (0.0, togo.panel_s),
        [plate_c - behind_c],
        rtol=1e-8,
        atol=1e-8,
        max_step=1.0,
    )
    assert solution.y[0][-1] == pytest.approx(setpoint_c - tolerance_c, abs=0.005)
