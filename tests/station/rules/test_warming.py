"""The panel behind the plate, swapped and shorted leads, and what is counted."""

import math

import pytest
from hand_bench import HandBench
from msgspec.structs import replace

from shared.sheet import default_sheet
from station.rules.limits import Limits
from station.rules.panel import Panel, TimeToGo
from station.rules.tick import Book
from station.rules.warming import Forecast, Warming, forecast, watch_warming
from station.simulation.bench import SimulatedBench


def heat_up(bench, seconds, rate_c_per_s=1.0):
    """The plate rises in a straight line."""
    for _ in range(round(seconds * 10)):
        bench.plate_c += rate_c_per_s / 10
        bench.tick()


def test_panel_lags_the_plate_and_comes_after_it():
    """On a ramp a first-order panel ends up rate times time constant behind (common textbook)."""
    bench = HandBench()
    bench.do("book-in unit=U-1 model=m", "place")
    heat_up(bench, 120, 0.5)
    panel = bench.state.watch.warming.panel
    assert bench.plate_c - panel.panel_c == pytest.approx(0.5 * 20.0, abs=0.5)


def test_panel_is_forgotten_with_the_unit():
    """No unit on the plate, no panel to estimate."""
    bench = HandBench()
    bench.do("book-in unit=U-1 model=m", "place")
    bench.run(1.0)
    assert bench.state.watch.warming.panel is not None
    bench.do("remove")
    bench.tick()
    assert bench.state.watch.warming.panel is None


def test_samples_stay_few_however_long_the_station_runs():
    """Half a minute at two a second."""
    bench = HandBench()
    for _ in range(1200):
        bench.tick()
    assert len(bench.state.watch.warming.samples) <= 60


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_forecast_of_a_heat_up_is_right_within_fifteen_seconds_after_its_first_minute(seed):
    """On the simulated plate, from 60 s on, every second: plate and panel, against when it then came true."""
    plant, bench = SimulatedBench(seed=seed), HandBench()
    bench.do("book-in unit=U-1 model=m", "start step=frame-off")
    plant.plate.setpoint_c = 100.0
    plant.plate.lay_panel()
    told, reached = [], {}
    with plant.bench:
        for tick in range(1800):
            plant.advance_to(tick / 10)
            reading, _, _ = plant.bench.read()
            bench.plate_c = reading.plate_c
            bench.tick()
            at = forecast(bench.state.watch.warming, bench.book.sheet.find("frame-off"), 20.0)
            if tick >= 600 and tick % 10 == 0:
                told.append((tick / 10, at.to_go))
            if at.to_go.plate_s == 0:
                reached.setdefault("plate", tick / 10)
            if at.panel_at_setpoint:
                reached.setdefault("panel", tick / 10)
    assert reached["plate"] < reached["panel"] < 170
    for at_s, to_go in told:
        if at_s < reached["plate"]:
            assert to_go.plate_s == pytest.approx(reached["plate"] - at_s, abs=15)
        if at_s < reached["panel"]:
            assert to_go.panel_s == pytest.approx(reached["panel"] - at_s, abs=15)


def test_swapped_leads_are_a_fault_once_the_plate_falls_as_it_is_heated():
    """Plate warms, reading falls below its own board: a fault, no number, the step held."""
    bench = HandBench()
    bench.do("book-in unit=U-1 model=m", "start step=frame-off")
    bench.run(1.0, plate_c=23.0)
    heat_up(bench, 30, -0.5)
    assert bench.state.watch.plate.plate_c is None
    assert bench.told("alarm-raised")[-1]["reason"] == "mirrored-leads"
    assert bench.durable.run.held_by == ("plate-sensor-fault",)


def test_a_hot_plate_that_cools_in_a_heat_step_is_no_fault():
    """It falls, but stays above its board: the heater may be off."""
    bench = HandBench()
    bench.do("book-in unit=U-1 model=m", "start step=frame-off")
    bench.run(1.0, plate_c=80.0)
    heat_up(bench, 100, -0.5)
    assert "plate-sensor-fault" not in bench.raised()


@pytest.mark.parametrize(("plate_c", "reason"), [(24.5, "pinned-to-cold-junction"), (40.0, None)])
def test_a_plate_that_reads_as_its_own_board_says_so_when_it_does_not_heat(plate_c, reason):
    """Shorted leads read as the cold junction and report no fault (follows from the chip's model)."""
    bench = HandBench()
    bench.do("book-in unit=U-1 model=m", "start step=frame-off")
    bench.run(185.0, plate_c=plate_c)
    raised = [event for event in bench.told("alarm-raised") if event["alarm"] == "plate-not-heating"]
    assert [event.get("reason") for event in raised] == [reason]


def test_faults_are_counted_by_kind():
    """How often each kind has begun, not for how many ticks."""
    bench = HandBench()
    for kind, ticks in (("open-circuit", 3), ("bus-error", 1), ("open-circuit", 7)):
        bench.run(1.0, plate_c=25.0)
        bench.run(ticks / 10, plate_c=None, fault=type(bench.fault)(kind))
    bench.run(1.0, plate_c=25.0)
    assert bench.state.watch.plate.faults == {"open-circuit": 2, "bus-error": 1}


def test_a_step_tighter_than_the_uncertainty_is_accepted_with_a_warning():
    """Tolerance 5 °C against U of 3.1 and of 6 °C."""
    for uncertainty_c, warnings in ((3.1, []), (6.0, ["tolerance-below-uncertainty"])):
        bench = HandBench()
        bench.book = Book(Limits(), default_sheet(), uncertainty_c)
        bench.do("book-in unit=U-1 model=m", "start step=frame-off")
        assert bench.told("step-started")[-1].get("warnings", []) == warnings


LAID = Warming(Panel(60.0, 100.0), 9_000, ((9.0, 100.0),))
BARE = replace(LAID, panel=None)
TAU_S = 20.0


@pytest.mark.parametrize(
    ("watch", "on_plate", "after"),
    [
        pytest.param(LAID, True, LAID, id="a panel waits"),
        pytest.param(BARE, True, BARE, id="a panel laid on unseen waits for a reading"),
        pytest.param(BARE, False, BARE, id="nothing there"),
        pytest.param(LAID, False, replace(BARE, panel_ms=9_700), id="a panel taken off is forgotten"),
    ],
)
def test_without_a_reading_nothing_moves_but_a_panel_that_is_taken_off(watch, on_plate, after):
    """What the plate did meanwhile is not known."""
    assert watch_warming(watch, None, 24.0, on_plate, 9_700, TAU_S) == after


@pytest.mark.parametrize(
    ("plate_c", "room_c", "panel_c"),
    [
        pytest.param(100.0, 24.0, 24.0, id="from the room"),
        pytest.param(22.0, 24.0, 22.0, id="a plate cooler than the board"),
        pytest.param(100.0, None, 100.0, id="no room known: as hot as it can be"),
    ],
)
def test_a_new_panel_comes_at_the_temperature_of_the_room(plate_c, room_c, panel_c):
    """Laid on at this tick; the plate's temperature is where its lag is reckoned from."""
    laid = watch_warming(BARE, plate_c, room_c, True, 9_700, TAU_S)
    assert (laid.panel, laid.panel_ms) == (Panel(panel_c, plate_c), 9_700)


def test_a_panel_follows_a_still_plate_by_its_time_constant():
    """40 °C behind and one time constant later: 40/e behind (first-order lag, any textbook)."""
    warmed = watch_warming(LAID, 100.0, 24.0, True, 29_000, TAU_S)
    assert 100.0 - warmed.panel.panel_c == pytest.approx(40 / math.e, rel=1e-9)
    assert warmed.panel_ms == 29_000
    assert watch_warming(LAID, 100.0, 24.0, False, 29_000, TAU_S).panel is None


@pytest.mark.parametrize(
    ("now_ms", "kept"),
    [
        pytest.param(9_499, [5.0, 9.0], id="a hair before half a second"),
        pytest.param(9_500, [5.0, 9.0, 9.5], id="half a second after the last"),
        pytest.param(31_000, [5.0, 9.0, 31.0], id="the oldest is 26 s old"),
        pytest.param(31_001, [9.0, 31.001], id="a hair older"),
        pytest.param(99_000, [99.0], id="all are older"),
    ],
)
def test_of_the_plate_half_a_minute_is_kept_two_a_second(now_ms, kept):
    """Samples lie half a second apart at least, and none is older than 26 s."""
    watch = Warming(None, 9_000, ((5.0, 30.0), (9.0, 31.0)))
    seen = watch_warming(watch, 40.0, 24.0, False, now_ms, TAU_S).samples
    assert [at_s for at_s, _ in seen] == kept
    assert dict(seen) == {at_s: {5.0: 30.0, 9.0: 31.0}.get(at_s, 40.0) for at_s in kept}


STEP = default_sheet().find("frame-off")
# Up in a straight line, 1 °C/s, to 80 °C now; 15 s of it are enough for a trend.
RISING = tuple((n / 2, 60.0 + n / 2) for n in range(41))
NOTHING = Forecast(None, TimeToGo(None, None))


@pytest.mark.parametrize(
    "step",
    [None, default_sheet().find("intake"), replace(STEP, tolerance_c=None), replace(STEP, setpoint_c=None)],
)
def test_a_step_without_a_band_has_no_forecast(step):
    """There is nothing to come up to."""
    assert forecast(Warming(Panel(100.0, 100.0), 0, RISING), step, 20.0) == NOTHING


@pytest.mark.parametrize(
    ("panel_c", "inside"),
    [(94.99, False), (95.0, True), (100.0, True), (105.0, True), (105.01, False), (-100.0, False)],
)
def test_a_panel_is_at_setpoint_within_the_band(panel_c, inside):
    """100 ± 5 °C, edges included, and told before any trend can be."""
    assert forecast(Warming(Panel(panel_c, 100.0)), STEP, 20.0) == Forecast(inside, TimeToGo(None, None))


def test_a_plate_without_a_panel_has_a_forecast_of_its_own():
    """From 80 °C at 1 °C/s it is at the band's edge, 95 °C, in 15 s."""
    inside, to_go = forecast(Warming(None, 0, RISING), STEP, 20.0)
    assert (inside, to_go.panel_s) == (None, None)
    assert to_go.plate_s == pytest.approx(15.0, abs=1e-6)
