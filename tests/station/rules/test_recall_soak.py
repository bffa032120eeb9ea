"""The soak that a record shows, reckoned by hand from stories of events."""

import pytest
from msgspec.structs import replace

from shared import events
from shared.messages import Second
from shared.sheet import default_sheet
from shared.timeline import Moment
from station.rules.soak import recall_soak, soaking
from station.rules.state import Run

RUN = Run(step="frame-off", attempt=1, started=Moment("a", 0), work="heat")
BAND = default_sheet().find("frame-off")
BEGAN = events.StepStarted(unit="U", step="frame-off", attempt=1)
REACHED = events.PlateAtSetpoint(unit="U", step="frame-off")
HELD = events.StepHeld(unit="U", step="frame-off", alarm="plate-sensor-fault")
RESTARTED = events.StepHeld(unit="U", step="frame-off", alarm="station-restart")
RESUMED = events.StepResumed(unit="U", step="frame-off")
OFF, ON = events.UnitRemoved(unit="U"), events.UnitPlaced(unit="U")


def of_record(boot, at, plate_c=100.0, valid_ms=1000):
    """A second of record on a steady plate."""
    return Second(
        boot=boot, second=at, plate_mean_c=plate_c, plate_min_c=plate_c, plate_max_c=plate_c,
        cold_junction_c=25.0, extraction_a=0.4, solvent_out=False, quality="good", valid_ms=valid_ms,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("story", "soak_s"),
    [
        pytest.param([], 0, id="never at its setpoint"),
        pytest.param([("a", 10, REACHED)], 90, id="to the end of the boot"),
        pytest.param([("a", 10, REACHED), ("a", 40, HELD)], 30, id="until it was held"),
        pytest.param([("a", 10, REACHED), ("a", 40, HELD), ("a", 60, RESUMED)], 70, id="from then on again"),
        pytest.param([("a", 10, REACHED), ("a", 40, OFF), ("a", 50, ON)], 80, id="not off the plate"),
        pytest.param(
            [("a", 10, REACHED), ("a", 40, OFF), ("a", 45, HELD), ("a", 50, ON)], 30, id="held first"
        ),
        pytest.param([("a", 10, REACHED), ("b", 5, RESTARTED)], 90, id="of the boot before"),
        pytest.param([("a", 10, REACHED), ("b", 5, RESTARTED), ("b", 20, RESUMED)], 170, id="of both boots"),
        pytest.param([("a", 10.4, REACHED), ("a", 39.6, HELD)], 28, id="seconds cut by an edge do not count"),
    ],
)
def test_the_record_shows_the_soak_that_was(story, soak_s):
    """A hundred seconds of each of two boots at 100 °C; reckoned by hand from the events."""
    later = [(Moment(boot, round(1000 * at)), body) for boot, at, body in story]
    told = [(Moment("a", 0), BEGAN), *later]
    seconds = [of_record(boot, at) for boot in "ab" for at in range(100)]
    assert recall_soak(soaking(told, "U", RUN), seconds, BAND) == 1000 * soak_s


def test_only_known_seconds_inside_the_band_are_soak():
    """Edges of the band are inside; a second of which less than all is known is none."""
    told = [(Moment("a", 0), BEGAN), (Moment("a", 0), REACHED)]
    seconds = [
        of_record("a", 0, 95.0), of_record("a", 1, 105.0),
        of_record("a", 2, 94.99), of_record("a", 3, 105.01),
        of_record("a", 4, None, 0), of_record("a", 5, 100.0, 900),
        replace(of_record("a", 6), plate_max_c=106.0), replace(of_record("a", 7), plate_min_c=94.0),
    ]  # fmt: skip
    assert recall_soak(soaking(told, "U", RUN), seconds, BAND) == 2000
