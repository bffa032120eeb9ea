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
    mark = (0, Moment("b", cut_ms, cut_ms), events.SolventLifted())
    before = [one for one in story if one[1].wall_ms < cut_ms]
    whole, later = proof(story, ["solder"]), proof(story, ["solder"], cut_ms)
    earlier = proof([*before, mark], ["solder"])
    assert earlier.proven_ms + later.proven_ms == whole.proven_ms
    assert earlier.losses + later.losses == whole.losses
    assert earlier.soldering_ms + later.soldering_ms == whole.soldering_ms
