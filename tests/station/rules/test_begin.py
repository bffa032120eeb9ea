"""Taking up what an earlier run left: unknown is never safe, and nothing runs by itself."""

import pytest

from shared.events import kind_of


def test_a_running_step_comes_back_held(bench):
    """Unit in hand, step and technician are there; the step is held until somebody resumes it."""
    bench.do("sign-in technician=T-1", "book-in unit=U-1 model=m", "start step=intake")
    told = bench.restart()
    assert bench.kinds()[-2:] == ["station-started", "step-held"]
    assert len(told) == 2
    assert (bench.durable.technician, bench.durable.in_hand) == ("T-1", "U-1")
    assert bench.durable.run.held_by == ("station-restart",)
    bench.tick()
    bench.do("resume")


def test_a_solder_step_is_resumed_only_with_new_proof(bench):
    """The proof of the last run is worth nothing."""
    bench.prove()
    bench.do("book-in unit=U-1 model=m", "start step=solder")
    bench.restart()
    bench.tick()
    assert "extraction-not-proven" in bench.ask("resume")
    bench.prove()
    bench.do("resume")


def test_a_cure_goes_on_across_a_restart(bench):
    """Adhesive cures without a computer."""
    bench.do("book-in unit=U-1 model=m", "start step=bond", "finish step=bond result=pass", "start step=cure")
    bench.restart()
    assert bench.durable.run.held_by == ()


@pytest.mark.parametrize("acknowledged", [False, True])
def test_a_standing_alarm_is_taken_up_and_not_raised_twice(bench, acknowledged):
    """The cause still stands after the restart: same alarm, same state, no second event."""
    bench.run(1.0, plate_c=None)
    if acknowledged:
        bench.do("ack")
    before = bench.durable.alarms["plate-sensor-fault"].state
    bench.restart()
    bench.run(1.0)
    assert bench.durable.alarms["plate-sensor-fault"].state == before
    assert bench.raised() == ["plate-sensor-fault"]


def test_a_latched_alarm_stays_latched_across_a_restart(bench):
    """Switching the station off and on is no reset."""
    bench.run(1.5, plate_c=131.0)
    bench.run(6.0, plate_c=80.0)
    bench.do("ack")
    bench.restart()
    bench.run(1.0)
    assert bench.durable.alarms["plate-over-limit"].state == "latched-acknowledged"
    bench.prove()
    assert not bench.decision.levels.permit


def test_first_tick_after_a_start_grants_nothing(bench):
    """However well the wires look, proof takes its time."""
    decision = bench.tick()
    assert not decision.levels.permit


def test_other_settings_than_before_are_told(bench):
    """The first start tells nothing; a start with other settings does, once."""
    assert [kind_of(body) for body in bench.restart("b-1", settings="one")] == ["station-started"]
    assert [kind_of(body) for body in bench.restart("b-2", settings="two")][-1] == "settings-changed"
    assert [kind_of(body) for body in bench.restart("b-3", settings="two")] == ["station-started"]
