"""Proof and soldering told from events, against stories reckoned by hand and the rules themselves."""

from itertools import cycle

from hand_bench import RUNNING_A, HandBench
from hypothesis import given, settings
from hypothesis import strategies as st

from shared import events
from shared.proof import proof
from shared.timeline import Moment

PROVEN, LOST = events.ExtractionProven(), events.ExtractionLost(reason="low-current")
START = events.StepStarted(unit="U", step="solder", attempt=1, technician="T-1")
END = events.StepFinished(unit="U", step="solder", result="pass")


ASKED = ["start step=solder", "finish step=solder result=pass", "ack", "resume", "abandon reason=x"]


def told(*story, boot="b"):
    """(seconds, event) as a history."""
    return [(seq, Moment(boot, round(at_s * 1000)), body) for seq, (at_s, body) in enumerate(story, start=1)]


def test_soldering_under_proof_is_all_proven():
    """Two minutes within the proof: 100 %."""
    found = proof(told((0, PROVEN), (10, START), (130, END), (200, LOST)), ["solder"])
    assert (found.proven_ms, found.losses, found.share) == (200_000, 1, 1.0)
    assert [(run.technician, run.proven_ms, run.unproven_ms) for run in found.soldering] == [
        ("T-1", 120_000, 0)
    ]


def test_soldering_without_proof_shows():
    """What must never be is counted all the same: 20 s of 60 without."""
    found = proof(told((0, PROVEN), (0, START), (40, LOST), (60, END)), ["solder"])
    assert found.share == 40 / 60


def test_a_held_step_is_not_soldering():
    """From the hold to the resume nobody solders."""
    held = events.StepHeld(unit="U", step="solder", alarm="extraction-lost")
    resumed = events.StepResumed(unit="U", step="solder")
    story = told((0, PROVEN), (0, START), (30, LOST), (30, held), (90, PROVEN), (100, resumed), (120, END))
    found = proof(story, ["solder"])
    assert (found.soldering_ms, found.share) == (50_000, 1.0)


def test_time_between_boots_counts_for_nothing():
    """The power fails while soldering; after the start the proof is unknown and the step held."""
    started = events.StationStarted(station="s", version="v", sheet="s")
    held = events.StepHeld(unit="U", step="solder", alarm="station-restart")
    story = [*told((0, PROVEN), (5, START), (10, events.SignedOut()))]
    story += told((0, started), (0, held), (500, events.SignedOut()), boot="b2")
    found = proof(story, ["solder"])
    assert (found.soldering_ms, found.share) == (5000, 1.0)


def test_soldering_is_what_was_begun_as_soldering():
    """The sheet has been changed since: its keys say nothing about the record, which tells the work."""
    began = events.StepStarted(unit="U", step="joint", attempt=1, work="solder", technician="T-1")
    ended = events.StepFinished(unit="U", step="joint", result="pass")
    found = proof(told((0, PROVEN), (0, began), (40, LOST), (60, ended)), ["solder"])
    assert (found.soldering_ms, found.losses_in_soldering) == (60_000, 1)
    other = events.StepStarted(unit="U", step="solder", attempt=1, work="inspect", technician="T-1")
    assert proof(told((0, other), (60, END)), ["solder"]).soldering == ()


def test_a_loss_that_holds_the_step_at_once_is_still_a_loss_while_soldering():
    """No second without proof, and yet the extraction failed under somebody's hands: the run says so."""
    held = events.StepHeld(unit="U", step="solder", alarm="extraction-lost")
    story = [(0, PROVEN), (0, START), (30, LOST), (30, held), (90, PROVEN), (95, LOST), (120, END)]
    found = proof(told(*story), ["solder"])
    assert (found.share, found.losses, found.losses_in_soldering) == (1.0, 2, 1)
    assert [run.losses for run in found.soldering] == [1]


def test_what_a_start_within_the_boot_follows_was_not_watched():
    """The program dies under proof and starts an hour later in the same boot: nobody proved that hour."""
    started = events.StationStarted(station="s", version="v", sheet="s")
    story = told((0, PROVEN), (5, START), (10, events.SignedOut()), (3600, started), (3601, END))
    found = proof(story, ["solder"])
    assert (found.proven_ms, found.soldering_ms) == (10_000, 6000)


MIDNIGHT_MS = 1_772_496_000_000  # 2026-03-03T00:00:00Z
DAY_MS = 86_400_000


def around_midnight(*story):
    """(minutes from a midnight, event) as a history of one boot that began four hours before it."""
    return [
        (seq, Moment("b", (240 + at_min) * 60_000, MIDNIGHT_MS + at_min * 60_000), body)
        for seq, (at_min, body) in enumerate(story, start=1)
    ]


def in_minutes(found):
    """Proven, soldering with proof, without, and the number of runs."""
    with_ms = sum(run.proven_ms for run in found.soldering)
    without_ms = sum(run.unproven_ms for run in found.soldering)
    return found.proven_ms / 60_000, with_ms / 60_000, without_ms / 60_000, len(found.soldering)


def test_soldering_over_midnight_is_told_on_both_days():
    """Proof from 23:00, soldering from 23:50 to 00:20: ten minutes belong to one day, twenty to the other."""
    story = around_midnight((-60, PROVEN), (-10, START), (20, END), (30, LOST))
    first = proof(story, ["solder"], MIDNIGHT_MS - DAY_MS, MIDNIGHT_MS)
    second = proof(story, ["solder"], MIDNIGHT_MS, MIDNIGHT_MS + DAY_MS)
    assert in_minutes(first) == (60, 10, 0, 1)
    assert in_minutes(second) == (30, 20, 0, 1)
    assert (first.losses, second.losses) == (0, 1)


def test_soldering_without_proof_over_midnight_is_told_on_both_days():
    """What must never be, from 23:59 to 00:30, with no event between: one minute and thirty."""
    story = around_midnight((-120, LOST), (-1, START), (30, END))
    first = proof(story, ["solder"], MIDNIGHT_MS - DAY_MS, MIDNIGHT_MS)
    second = proof(story, ["solder"], MIDNIGHT_MS, MIDNIGHT_MS + DAY_MS)
    assert in_minutes(first) == (0, 0, 1, 1)
    assert in_minutes(second) == (0, 0, 30, 1)
    assert first.share == second.share == 0.0


def test_soldering_longer_than_the_period_fills_it():
    """Begun before the first day and ended after the last, with no event within: a whole day, with proof."""
    story = around_midnight((-60, PROVEN), (-30, START), (1440 + 45, END))
    found = proof(story, ["solder"], MIDNIGHT_MS, MIDNIGHT_MS + DAY_MS)
    assert in_minutes(found) == (1440, 1440, 0, 1)
    before = proof(story, ["solder"], MIDNIGHT_MS - 2 * DAY_MS, MIDNIGHT_MS - DAY_MS)
    assert in_minutes(before) == (0, 0, 0, 0)


def test_a_run_whose_end_is_not_on_record_counts_as_long_as_the_station_was_seen_to_run():
    """The power fails before the end: the readings say until when, within the day."""
    story = around_midnight((-60, PROVEN), (-10, START))
    seen_until = {"b": (240 + 5) * 60_000}
    first = proof(story, ["solder"], MIDNIGHT_MS - DAY_MS, MIDNIGHT_MS, seen_until)
    second = proof(story, ["solder"], MIDNIGHT_MS, MIDNIGHT_MS + DAY_MS, seen_until)
    assert (in_minutes(first), in_minutes(second)) == ((60, 10, 0, 1), (5, 5, 0, 1))


def test_what_has_no_date_is_in_no_period():
    """And in the whole it is."""
    story = told((0, PROVEN), (0, START), (60, END))
    assert in_minutes(proof(story, ["solder"])) == (1, 1, 0, 1)
    assert in_minutes(proof(story, ["solder"], 0, DAY_MS)) == (0, 0, 0, 0)


def test_other_steps_are_not_soldering():
    """A bond step is none, and without soldering there is no share."""
    story = told((0, events.StepStarted(unit="U", step="bond", attempt=1)), (60, events.SignedOut()))
    assert proof(story, ["solder"]).share is None


@settings(max_examples=60)
@given(
    st.lists(
        st.tuples(
            st.sampled_from([0.0, 0.2, RUNNING_A, None]),
            st.integers(1, 80),
            st.sampled_from(
                ["start step=solder", "finish step=solder result=pass", "ack", "resume", "abandon reason=x"]
            ),
        ),
        max_size=25,
    )
)
def test_the_rules_never_let_a_minute_of_soldering_pass_without_proof(story):
    """Whatever hands and fans do: the figure that matters is 100 %."""
    bench = HandBench()
    bench.do("book-in unit=U-1 model=m")
    for amps, ticks, text in story:
        bench.run(ticks / 10, amps=amps)
        bench.tick(text)
    history = [(0, Moment("b", at_ms), body) for at_ms, body in bench.events]
    assert proof(history, ["solder"]).share in (None, 1.0)


def dated(*story):
    """(seconds, event) as a history whose boot began at the epoch."""
    return [
        (seq, Moment("b", round(at_s * 1000), round(at_s * 1000)), body)
        for seq, (at_s, body) in enumerate(story, start=1)
    ]


@given(st.lists(st.booleans(), min_size=1, max_size=12), st.integers(0, 130_000))
def test_two_periods_hold_what_the_whole_holds(turns, cut_ms):
    """Wherever a history is cut, what lies before and what lies after add up to the whole."""
    fans, steps = cycle([PROVEN, LOST]), cycle([START, END])
    bodies = [next(fans) if turn else next(steps) for turn in turns]
    story = dated(*((10 * (at + 1), body) for at, body in enumerate(bodies)))
    story.append((99, Moment("b", 200_000, 200_000), events.SolventLifted()))
    whole, later = proof(story, ["solder"]), proof(story, ["solder"], cut_ms)
    earlier = proof(story, ["solder"], None, cut_ms)
    assert earlier.proven_ms + later.proven_ms == whole.proven_ms
    assert earlier.losses + later.losses == whole.losses
    assert earlier.soldering_ms + later.soldering_ms == whole.soldering_ms
