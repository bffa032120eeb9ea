"""The clocks of a heat step."""

import pytest

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
