"""What a tick knows without asking anybody."""

import pytest

from shared.timeline import Moment
from station.rules.state import Run
from station.rules.tick import elapsed_ms


@pytest.mark.parametrize(
    ("started", "now", "passed_ms"),
    [
        pytest.param(Moment("b", 1_000), Moment("b", 4_500), 3_500, id="one boot, by its own clock"),
        pytest.param(
            Moment("b", 1_000, 9_000), Moment("b", 4_500, 1), 3_500, id="one boot, whatever the calendar says"
        ),
        pytest.param(Moment("a", 9_000, 50_000), Moment("b", 5, 57_500), 7_500, id="two boots, both dated"),
        pytest.param(Moment("a", 9_000), Moment("b", 5, 57_500), None, id="the first undated"),
        pytest.param(Moment("a", 9_000, 50_000), Moment("b", 5), None, id="the second undated"),
        pytest.param(Moment("a", 9_000), Moment("b", 5), None, id="neither dated"),
        pytest.param(Moment("a", 9_000, 50_000), Moment("b", 5, 49_000), 0, id="dates that contradict"),
        pytest.param(Moment("a", 9_000, 50_000), Moment("b", 5, 50_000), 0, id="the same moment"),
    ],
)
def test_time_since_a_step_began_is_told_where_it_can_be(started, now, passed_ms):
    """Never less than nothing."""
    assert elapsed_ms(Run("cure", 1, started), now) == passed_ms
