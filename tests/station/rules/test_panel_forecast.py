"""The forecast on plates that are not ideal: the simulated one, outliers, corners, plates that stop short."""

from math import exp

import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.rules.panel import Panel, Trend, advance, plate_trend, time_to_reach_s
from station.simulation.plate import PANEL_S, Plate

Samples = list[tuple[float, float]]


def approach(final_c: float, start_c: float, fade_s: float, until_s: float, step_s: float = 0.5) -> Samples:
    """An exact first-order heat-up, sampled."""
    times_s = [n * step_s for n in range(int(until_s / step_s) + 1)]
    return [(t, final_c - (final_c - start_c) * exp(-t / fade_s)) for t in times_s]


def heat_up(setpoint_c: float, with_panel: bool, per_s: int) -> list[tuple[float, float, float]]:
    """Time, plate as the chip rounds it and panel as estimated, of the simulated plate from cold."""
    plate, rows = Plate(), []
    plate.setpoint_c = setpoint_c
    if with_panel:
        plate.lay_panel()
    panel = Panel(plate.plate_c, plate.plate_c)
    for n in range(1, 240 * per_s):
        plate.advance_to(n / per_s)
        panel = advance(panel, round(plate.plate_c * 4) / 4, 1 / per_s, PANEL_S)
        rows.append((n / per_s, panel.plate_c, panel.panel_c))
    return rows


@pytest.mark.parametrize("per_s", [2, 10])
@pytest.mark.parametrize(
    ("setpoint_c", "tolerance_c", "with_panel"),
    [(80, 2, True), (100, 2, False), (100, 2, True), (100, 5, True), (120, 2, True), (120, 5, False)],
)
def test_ready_is_foretold_within_15_s_after_the_first_minute(
    setpoint_c: float, tolerance_c: float, with_panel: bool, per_s: int
) -> None:
    """From one minute into a heat-up on, plate and panel are foretold within 15 s, at every second."""
    rows = heat_up(setpoint_c, with_panel, per_s)
    plate_in_s = next(t for t, plate_c, _ in rows if plate_c >= setpoint_c - tolerance_c)
    panel_in_s = next(t for t, _, panel_c in rows if panel_c >= setpoint_c - tolerance_c)
    assert 60 < plate_in_s < panel_in_s
    asked = [n for n, row in enumerate(rows) if 60 <= row[0] < panel_in_s and row[0] == int(row[0])]
    for n in asked:
        now_s, _, panel_c = rows[n]
        trend = plate_trend([row[:2] for row in rows[: n + 1]])
        assert trend is not None
        togo = time_to_reach_s(trend, panel_c, setpoint_c=setpoint_c, tolerance_c=tolerance_c, tau_s=PANEL_S)
        assert togo.panel_s is not None
        assert togo.plate_s is not None
        assert now_s + togo.panel_s == pytest.approx(panel_in_s, abs=15)
        assert now_s + togo.plate_s == pytest.approx(max(now_s, plate_in_s), abs=15)


@given(st.floats(120, 300), st.floats(10, 40), st.floats(80, 300))
def test_trend_of_an_exact_approach(final_c: float, start_c: float, fade_s: float) -> None:
    """On an exact first-order heat-up rate, time constant and final value are found within a few percent."""
    trend = plate_trend(approach(final_c, start_c, fade_s, 60.0))
    assert trend is not None
    now_c = final_c - (final_c - start_c) * exp(-60.0 / fade_s)
    assert trend.plate_c == pytest.approx(now_c, abs=0.1)
    assert trend.rate_c_per_s == pytest.approx((final_c - now_c) / fade_s, rel=0.02)
    assert trend.time_constant_s == pytest.approx(fade_s, rel=0.2)
    assert trend.final_c == pytest.approx(final_c, rel=0.2)


def test_trend_is_not_moved_by_an_outlier() -> None:
    """One sample 40 °C off changes neither place nor rate."""
    samples = approach(200.0, 22.0, 150.0, 60.0)
    plain = plate_trend(samples)
    samples[-10] = (samples[-10][0], samples[-10][1] + 40.0)
    marred = plate_trend(samples)
    assert plain is not None
    assert marred is not None
    assert marred.plate_c == pytest.approx(plain.plate_c, abs=0.05)
    assert marred.rate_c_per_s == pytest.approx(plain.rate_c_per_s, rel=0.05)


def test_trend_at_a_corner_stands_where_the_plate_is() -> None:
    """Just after the heater has switched off, the trend's place is that of the newest samples."""
    samples = [(n / 2, min(22.0 + 1.3 * n / 2, 100.0)) for n in range(140)]
    for n in range(121, 140):
        trend = plate_trend(samples[: n + 1])
        assert trend is not None
        assert trend.plate_c == pytest.approx(100.0, abs=0.75)


@pytest.mark.parametrize(
    "samples",
    [
        pytest.param([], id="none"),
        pytest.param([(n / 10, 22.0 + n / 10) for n in range(140)], id="14 s"),
        pytest.param([(4.0 * n, 22.0 + n) for n in range(60)], id="one every four seconds"),
        pytest.param(
            [(n / 10, 22.0) for n in range(50)] + [(500 + n / 10, 90.0) for n in range(50)], id="gap"
        ),
    ],
)
def test_too_little_shows_no_trend(samples: Samples) -> None:
    """Too short, too sparse or torn: no trend rather than a wild one."""
    assert plate_trend(samples) is None


@pytest.mark.parametrize(
    ("trend", "plate_s"),
    [
        pytest.param(Trend(60.0, 0.1, 100.0), None, id="ends at 70"),
        pytest.param(Trend(60.0, -0.5), None, id="cools"),
        pytest.param(Trend(97.9, 0.005), None, id="creeps"),
        pytest.param(Trend(60.0, 0.0105), None, id="over an hour"),
        pytest.param(Trend(98.5, 0.3), 0.0, id="inside"),
        pytest.param(Trend(120.0, -0.5), 36.0, id="cools down to it"),
        pytest.param(Trend(120.0, 0.5), None, id="runs away"),
    ],
)
def test_forecast_of_the_plate(trend: Trend, plate_s: float | None) -> None:
    """A plate that will not get inside 100 ± 2 °C has no time; one that will, from either side, has."""
    togo = time_to_reach_s(trend, None, setpoint_c=100.0, tolerance_c=2.0, tau_s=20.0)
    assert togo.plate_s == (None if plate_s is None else pytest.approx(plate_s, abs=1e-9))
    assert togo.panel_s is None


def test_forecast_of_the_panel_on_a_plate_off_its_setpoint() -> None:
    """A plate that rests outside the band never brings the panel inside; a panel inside is inside."""
    outside = time_to_reach_s(Trend(90.0, 0.0), 80.0, setpoint_c=100.0, tolerance_c=2.0, tau_s=20.0)
    assert outside == (None, None)
    inside = time_to_reach_s(Trend(100.3, -0.02), 99.0, setpoint_c=100.0, tolerance_c=2.0, tau_s=20.0)
    assert inside == (0.0, 0.0)


def test_forecast_of_a_panel_without_lag_is_the_plates() -> None:
    """With no time constant the panel is the plate."""
    togo = time_to_reach_s(Trend(60.0, 0.8, 170.0), 60.0, setpoint_c=100.0, tolerance_c=2.0, tau_s=0.0)
    assert togo.panel_s == pytest.approx(togo.plate_s, abs=1e-5)


@given(st.floats(0, 200), st.floats(0, 200), st.floats(0, 200), st.floats(0, 600), st.floats(0, 600))
def test_panel_stays_between_what_it_saw(a: float, b: float, c: float, passed_s: float, tau_s: float) -> None:
    """The panel never leaves the span of its own and the plate's temperatures."""
    panel = advance(Panel(a, b), c, passed_s, tau_s)
    assert min(a, b, c) - 1e-9 <= panel.panel_c <= max(a, b, c) + 1e-9


@given(st.floats(0.01, 100), st.floats(0.1, 100))
def test_panel_does_not_care_how_a_ramp_is_cut(passed_s: float, tau_s: float) -> None:
    """One step over a ramp is two steps over its halves."""
    start = Panel(20.0, 30.0)
    once = advance(start, 50.0, passed_s, tau_s)
    twice = advance(advance(start, 40.0, passed_s / 2, tau_s), 50.0, passed_s / 2, tau_s)
    assert once.panel_c == pytest.approx(twice.panel_c, abs=1e-9)


@pytest.mark.parametrize(("passed_s", "tau_s"), [(-1.0, 20.0), (1.0, -1.0), (float("nan"), 20.0)])
def test_panel_refuses_times_that_are_none(passed_s: float, tau_s: float) -> None:
    """Negative and undefined times are refused."""
    with pytest.raises(ValueError, match="cannot move on"):
        advance(Panel(20.0, 20.0), 30.0, passed_s, tau_s)
