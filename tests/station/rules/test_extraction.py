"""Proof of extraction: what proves it, what takes it away, to the tick."""

import pytest

from shared.readings import ExtractionQuality, ExtractionReading
from station.rules.extraction import forget_extraction, watch_extraction
from station.rules.limits import ExtractionLimits
from station.rules.state import ExtractionWatch

LIMITS = ExtractionLimits()


def walk(currents, watch=None, step_ms=100):
    """Feed currents (None: unreadable) at 10 Hz; the watch and the losses by time in ms."""
    watch, losses = watch or ExtractionWatch(), []
    for index, current_a in enumerate(currents):
        quality = ExtractionQuality.UNREADABLE if current_a is None else ExtractionQuality.GOOD
        reading = ExtractionReading(quality=quality, extraction_a=current_a)
        watch, lost = watch_extraction(watch, reading, index * step_ms, step_ms if index else 0, LIMITS)
        if lost:
            losses.append((index * step_ms, lost))
    return watch, losses


@pytest.mark.parametrize(
    ("currents", "proven"),
    [
        pytest.param([0.25] * 51, True, id="at the threshold for 5.0 s"),
        pytest.param([0.25] * 50, False, id="for 4.9 s"),
        pytest.param([0.249] * 100, False, id="just below the threshold"),
        pytest.param([2.2] * 10 + [0.0] * 60, False, id="a start current is no proof"),
        pytest.param([0.42] * 49 + [0.2] + [0.42] * 50, False, id="a dip between the thresholds starts over"),
        pytest.param([0.42] * 49 + [None] + [0.42] * 50, False, id="an unreadable window starts over"),
        pytest.param([0.42] * 49 + [0.2] + [0.42] * 51, True, id="and proves after its full time"),
    ],
)
def test_extraction_is_proven_only_by_a_full_unbroken_proving_time(currents, proven):
    """Contract: at or above 0.25 A for 5.0 s."""
    assert walk(currents)[0].proven is proven


PROVEN = [0.42] * 51


@pytest.mark.parametrize(
    ("after", "losses"),
    [
        pytest.param([0.179] * 6, [(5600, "low-current")], id="below 0.18 A for 0.5 s"),
        pytest.param([0.179] * 5, [], id="for 0.4 s"),
        pytest.param([0.18] * 100, [], id="at the lower threshold it stands"),
        pytest.param([0.0] * 5 + [0.25] + [0.0] * 5, [], id="a look that would prove starts the delay over"),
        pytest.param(
            ([0.0] * 4 + [0.2]) * 3, [(5800, "low-current")], id="a look between the thresholds does not"
        ),
        pytest.param(([0.0] + [0.2] * 2) * 50, [], id="a short dip among looks between them is forgotten"),
        pytest.param([None] * 6, [(5600, "unreadable")], id="unreadable for 0.5 s"),
        pytest.param([0.0, None] * 3, [(5600, "unreadable")], id="low and unreadable count together"),
    ],
)
def test_proof_is_lost_after_its_delay_and_no_sooner(after, losses):
    """Contract: lost below 0.18 A or unreadable, for 0.5 s."""
    assert walk(PROVEN + after)[1] == losses


def test_proof_is_lost_at_once_after_a_gap():
    """A gap is longer than the loss delay, so nothing of the proof is left."""
    watch = walk(PROVEN)[0]
    turn = forget_extraction(watch)
    assert (turn.watch.proven, turn.lost) == (False, "gap")


def test_nothing_is_lost_when_nothing_was_proven():
    """A still fan tells no loss."""
    assert walk([0.0] * 100)[1] == []


def switch(closed):
    """What a current switch says; None where it cannot be read."""
    if closed is None:
        return ExtractionReading(quality=ExtractionQuality.UNREADABLE)
    return ExtractionReading(quality=ExtractionQuality.CONTACT, closed=closed)


@pytest.mark.parametrize(
    ("looks", "proven", "losses"),
    [
        pytest.param([True] * 51, True, [], id="closed for 5.0 s"),
        pytest.param([True] * 50, False, [], id="for 4.9 s"),
        pytest.param([False] * 100, False, [], id="open"),
        pytest.param([True] * 51 + [False] * 6, False, [(5600, "low-current")], id="open for 0.5 s"),
        pytest.param([True] * 51 + [False] * 5, True, [], id="for 0.4 s"),
        pytest.param([True] * 51 + [None] * 6, False, [(5600, "unreadable")], id="unreadable for 0.5 s"),
    ],
)
def test_a_switch_proves_and_loses_as_a_current_does(looks, proven, losses):
    """The same times; there is no between."""
    watch, told = ExtractionWatch(), []
    for index, closed in enumerate(looks):
        watch, lost = watch_extraction(watch, switch(closed), index * 100, 100 if index else 0, LIMITS)
        told += [(index * 100, lost)] if lost else []
    assert (watch.proven, told) == (proven, losses)


def test_what_the_watch_keeps_is_this_when_followed_by_hand():
    """Since when it runs, since when it is proven, since when it is still, and since when it is lost."""
    currents = [0.42] * 51 + [0.0] * 8
    assert {upto: walk(currents[:upto])[0] for upto in (1, 51, 52, 53, 57, 59)} == {
        1: ExtractionWatch(since_ms=0, above_since_ms=0),
        51: ExtractionWatch(proven=True, since_ms=5000, above_since_ms=0),
        52: ExtractionWatch(proven=True, since_ms=5000, below_since_ms=5100),
        53: ExtractionWatch(proven=True, since_ms=5000, below_ms=100, below_since_ms=5100),
        57: ExtractionWatch(since_ms=5600, below_since_ms=5100),
        59: ExtractionWatch(since_ms=5600, below_since_ms=5100),
    }
