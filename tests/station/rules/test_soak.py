"""The clocks of a heat step."""

import pytest
from msgspec.structs import replace

from shared.sheet import default_sheet
from shared.timeline import Moment
from station.rules.soak import inside_band, reaches_setpoint, watch_heat
from station.rules.state import HeatWatch, Run

STEP = default_sheet().find("frame-off")
RUN = Run("frame-off", 1, Moment("b", 0), at_setpoint=True)


@pytest.mark.parametrize(
    ("plate_c", "inside"), [(94.99, False), (95.0, True), (100.0, True), (105.0, True), (105.01, False)]
)
def test_band_includes_its_edges(plate_c, inside):
    """100 ± 5 °C is 95 to 105 °C, edges included."""
    assert inside_band(STEP, plate_c) is inside


@pytest.mark.parametrize(
    ("before_c", "plate_c", "reached"),
    [
        (None, 94.0, False),
        (94.0, 95.0, True),
        (90.0, 110.0, True),
        (110.0, 108.0, False),
        (120.0, 104.0, True),
    ],
)
def test_setpoint_is_reached_inside_the_band_or_through_it(before_c, plate_c, reached):
    """A plate that shoots through from below has reached it; one that comes from above has not yet."""
    assert reaches_setpoint(STEP, before_c, plate_c) is reached


@pytest.mark.parametrize(
    ("plate_c", "run", "stopped", "counts"),
    [
        (100.0, RUN, False, True),
        (100.0, RUN, True, False),
        (94.0, RUN, False, False),
        (None, RUN, False, False),
        (100.0, Run("frame-off", 1, Moment("b", 0)), False, False),
        (100.0, Run("frame-off", 1, Moment("b", 0), held_by=("x",), at_setpoint=True), False, False),
    ],
)
def test_soak_counts_only_at_setpoint_running_and_believed(plate_c, run, stopped, counts):
    """Not before the setpoint, not outside the band, not held, not under a plate alarm, not unread."""
    watch = watch_heat(HeatWatch(5000, 100.0, 0), STEP, run, plate_c, 100, 100, stopped, 2.0)
    assert watch.soak_ms == (5100 if counts else 5000)


NO_BAND = [replace(STEP, tolerance_c=None), replace(STEP, setpoint_c=None), default_sheet().find("intake")]


@pytest.mark.parametrize("step", NO_BAND)
def test_a_step_without_a_band_is_never_inside_nor_at_setpoint(step):
    """Half a band is none: without setpoint or tolerance no plate counts as right."""
    assert inside_band(step, 100.0) is False
    assert reaches_setpoint(step, 90.0, 100.0) is False


@pytest.mark.parametrize(
    ("plate_c", "margin_c", "inside"),
    [(104.5, 0.5, True), (104.51, 0.5, False), (95.5, 0.5, True), (95.49, 0.5, False), (105.0, 0.5, False)],
)
def test_a_margin_makes_the_band_narrower(plate_c, margin_c, inside):
    """100 ± (5 - 0.5) °C is 95.5 to 104.5 °C: an alarm returns inside the band, not at its edge."""
    assert inside_band(STEP, plate_c, margin_c) is inside


@pytest.mark.parametrize(
    ("before_c", "plate_c", "reached"),
    [(99.0, 100.0, True), (99.0, 101.0, True), (100.0, 101.0, False), (99.0, 99.4, False)],
)
def test_setpoint_is_crossed_from_below_its_own_value(before_c, plate_c, reached):
    """100 ± 0.5 °C, the narrowest band: what leaves upwards from 100 °C crosses nothing."""
    assert reaches_setpoint(replace(STEP, tolerance_c=0.5), before_c, plate_c) is reached


def after(watch, plate_c, run=RUN, step=STEP, now_ms=9_000):
    """The clocks 100 ms later, where 2 °C of rise move the foot."""
    return watch_heat(watch, step, run, plate_c, now_ms, 100, False, 2.0)


def test_time_that_was_not_read_is_no_soak_at_either_end():
    """Soak is counted between two readings inside the band: not up to the first one after a fault."""
    watch = HeatWatch(5000, True, 25.0, 100.0, 8_000)
    blind = after(watch, None)
    assert blind == HeatWatch(5000, False, 25.0, 100.0, 8_000)
    back = after(blind, 100.0, now_ms=9_100)
    assert back.soak_ms == 5000
    assert after(back, 100.0, now_ms=9_200).soak_ms == 5100


@pytest.mark.parametrize(
    ("plate_c", "foot_c", "foot_ms"),
    [
        (60.0, 60.0, 1_000),
        (61.9, 60.0, 1_000),
        (62.0, 62.0, 9_000),
        (59.0, 59.0, 1_000),
        (94.9, 94.9, 9_000),
        (95.0, 95.0, 9_000),
        (100.0, 100.0, 9_000),
    ],
)
def test_the_foot_of_the_rise_moves_only_with_a_rise(plate_c, foot_c, foot_ms):
    """Below 95 °C the plate must come 2 °C above its foot for the three minutes to begin anew.

    Falling takes the foot down with it and gives no more time.
    """
    watch = after(HeatWatch(0, False, 25.0, 60.0, 1_000), plate_c)
    assert (watch.foot_c, watch.foot_ms) == (foot_c, foot_ms)


@pytest.mark.parametrize(
    ("plate_c", "foot_c", "foot_ms"), [(94.9, 94.0, 1_000), (95.0, 95.0, 9_000), (104.0, 104.0, 9_000)]
)
def test_a_plate_at_the_edge_of_its_band_is_not_waited_for(plate_c, foot_c, foot_ms):
    """95 °C is inside 100 ± 5 °C: the foot follows, however little it rose; at 94.9 °C it does not."""
    watch = after(HeatWatch(0, False, 25.0, 94.0, 1_000), plate_c)
    assert (watch.foot_c, watch.foot_ms) == (foot_c, foot_ms)


@pytest.mark.parametrize(
    ("plate_c", "foot_ms"), [(99.0, 1_000), (99.9, 1_000), (100.0, 9_000), (100.1, 9_000)]
)
def test_without_a_tolerance_the_setpoint_itself_is_waited_for(plate_c, foot_ms):
    """A setpoint of 100 °C and nothing about it: below is below 100 °C."""
    watch = after(HeatWatch(0, False, 25.0, 99.0, 1_000), plate_c, step=replace(STEP, tolerance_c=None))
    assert watch.foot_ms == foot_ms


def test_without_a_setpoint_nothing_is_waited_for():
    """No setpoint, no rise to be judged: the foot follows the plate."""
    watch = after(HeatWatch(0, False, 25.0, 60.0, 1_000), 50.0, step=replace(STEP, setpoint_c=None))
    assert (watch.foot_c, watch.foot_ms) == (50.0, 9_000)


def test_a_held_step_is_not_waited_for():
    """While it is held the heater may be off: the time begins with the resume."""
    held = Run("frame-off", 1, Moment("b", 0), held_by=("x",))
    watch = after(HeatWatch(0, False, 25.0, 60.0, 1_000), 50.0, run=held)
    assert (watch.foot_c, watch.foot_ms) == (50.0, 9_000)


def test_the_plate_at_the_beginning_of_a_step_stays_known():
    """What swapped leads are told by; the first reading, whatever comes later."""
    first = after(HeatWatch(), 25.0)
    assert (first.start_c, first.foot_c, first.foot_ms) == (25.0, 25.0, 9_000)
    assert after(first, 40.0, now_ms=9_100).start_c == 25.0
