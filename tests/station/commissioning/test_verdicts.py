"""Judgements of the walk through the wiring, as tables."""

import pytest

from shared.readings import ExtractionQuality, ExtractionReading, PlateQuality, PlateReading
from station.commissioning.verdicts import (
    Verdict,
    all_well,
    floor,
    plate_answers,
    polarity,
    rise_c,
    running,
    two_states,
)
from station.rules.limits import ExtractionLimits

LIMITS = ExtractionLimits()


def warm(plate_c: float, chip_c: float = 22.0) -> PlateReading:
    """A good reading."""
    return PlateReading(quality=PlateQuality.GOOD, word=1, plate_c=plate_c, cold_junction_c=chip_c)


def drawn(*currents_a: float) -> list[ExtractionReading]:
    """Good windows."""
    return [ExtractionReading(quality=ExtractionQuality.GOOD, extraction_a=each) for each in currents_a]


OPEN = PlateReading(quality=PlateQuality.OPEN, word=1, cold_junction_c=22.0)
DEAF = ExtractionReading(quality=ExtractionQuality.UNREADABLE)


@pytest.mark.parametrize(
    ("readings", "outcome", "says"),
    [
        ([warm(22.0)] * 10, "passed", "22.0 °C"),
        ([warm(22.0)] * 9 + [OPEN], "passed", "22.0 °C"),
        ([warm(22.0)] * 8 + [OPEN] * 2, "failed", "8 of 10 readings are valid: open-circuit"),
        ([], "failed", "none came"),
        ([warm(80.0)] * 10, "failed", "a cold plate reads 80.0 °C"),
        ([warm(-3.0)] * 10, "failed", "a cold plate reads -3.0 °C"),
        ([warm(34.0)] * 10, "failed", "more than 10 °C apart"),
    ],
)
def test_plate_answers(readings, outcome, says):
    """A cold plate reads as the room and its chip do, nine times of ten."""
    found = plate_answers(readings)
    assert (found.outcome, says in found.detail) == (outcome, True), found.detail


@pytest.mark.parametrize(
    ("moved_c", "outcome", "says"),
    [
        (1.5, "passed", "rises by 1.5"),
        (11.0, "passed", "rises"),
        (1.4, "failed", "shorted"),
        (0.0, "failed", "shorted"),
        (-1.5, "failed", "swapped"),
        (None, "failed", "no valid reading"),
    ],
)
def test_polarity(moved_c, outcome, says):
    """What is warmed must read warmer; colder means swapped leads."""
    found = polarity(moved_c)
    assert (found.outcome, says in found.detail) == (outcome, True), found.detail


def test_rise_is_against_the_chip_when_the_chip_warms_too():
    """A board that warms by itself is no proof that the junction was warmed."""
    assert rise_c([warm(22.0, 22.0)], warm(27.0, 27.0)) == 0.0
    assert rise_c([warm(22.0, 22.0)] * 3, warm(27.0, 22.5)) == 4.5
    assert rise_c([OPEN], warm(27.0)) is None
    assert rise_c([warm(22.0)], OPEN) is None


@pytest.mark.parametrize(
    ("currents", "outcome", "says"),
    [
        (drawn(0.01, 0.02), "passed", "at most 0.020 A"),
        (drawn(0.06, 0.01), "passed", "at most 0.060 A"),
        (drawn(0.061), "failed", "a third of lost_a"),
        ([DEAF] * 5, "failed", "0 of 5 readings are valid: unreadable"),
        ([], "failed", "none came"),
    ],
)
def test_floor(currents, outcome, says):
    """At rest at most a third of lost_a (0.18 A): the rule for thresholds, turned round."""
    found = floor(currents, LIMITS)
    assert (found.outcome, says in found.detail) == (outcome, True), found.detail


@pytest.mark.parametrize(
    ("currents", "limits", "outcome", "says"),
    [
        (drawn(0.42, 0.40), LIMITS, "passed", "proven from 0.25 A"),
        (drawn(0.42, 0.24), LIMITS, "failed", "would not be proven"),
        (drawn(0.42), ExtractionLimits(low_a=0.3, high_a=0.4), "failed", "outside the learned band"),
        (drawn(0.35), ExtractionLimits(low_a=0.3, high_a=0.4), "passed", "proven from"),
        ([DEAF], LIMITS, "failed", "unreadable"),
    ],
)
def test_running(currents, limits, outcome, says):
    """A running motor must be proven at every reading, and lie in the band that was learned."""
    found = running(currents, limits)
    assert (found.outcome, says in found.detail) == (outcome, True), found.detail


@pytest.mark.parametrize(
    ("seen", "outcome", "says"),
    [
        ([False, True], "passed", "seen in, out"),
        ([True, True], "failed", "never seen in"),
        ([False, False], "failed", "never seen out"),
        ([False, None], "failed", "cannot be read when it should be out"),
    ],
)
def test_two_states(seen, outcome, says):
    """An input that was not seen in both states has not been checked."""
    found = two_states("cradle", seen, ((False, "in"), (True, "out")))
    assert (found.outcome, found.detail.startswith(says)) == (outcome, True), found.detail


@pytest.mark.parametrize(
    ("outcomes", "well"),
    [
        ((), False),
        (("skipped",), False),
        (("passed",), True),
        (("passed", "skipped"), True),
        (("passed", "failed"), False),
    ],
)
def test_all_well(outcomes, well):
    """Nothing failed and something passed; nothing looked at is not well."""
    assert all_well([Verdict(name="n", outcome=each, detail="") for each in outcomes]) is well
