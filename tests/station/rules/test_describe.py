"""The snapshot that pages show."""

from shared.timeline import Moment
from station.rules.describe import describe


def shown(bench):
    """The bench's snapshot after its last tick."""
    now = Moment(bench.boot, bench.now_ms, 1_772_440_000_000)
    indication = bench.decision.indication
    return describe(
        bench.book, bench.state, bench.reading(), now, indication, station="bench-1", ticks=7, ticks_missed=1
    )


def locks(bench):
    """What is locked, and why."""
    return {lock.what: lock.reasons for lock in shown(bench).locked}


def test_an_idle_bench_says_why_everything_waits(bench):
    """Reasons that all steps share are said once; the solder step adds its own."""
    bench.run(1.0)
    assert locks(bench) == {
        "iron-power": ["extraction-not-proven"],
        "every-step": ["no-unit"],
        "solder": ["extraction-not-proven"],
    }


def test_a_running_step_locks_every_other(bench):
    """One line instead of one for each step of the sheet."""
    bench.prove()
    bench.do("book-in unit=U-1 model=m", "start step=intake")
    assert locks(bench) == {"other-steps": ["step-running"]}


def test_a_unit_in_hand_shows_which_steps_wait_for_what(bench):
    """Order and extraction, each at its step."""
    bench.do("book-in unit=U-1 model=m")
    assert locks(bench) == {
        "iron-power": ["extraction-not-proven"],
        "solder": ["extraction-not-proven"],
        "cure": ["step-order"],
        "check-3": ["step-order"],
    }


def test_a_fault_shows_no_number(bench):
    """Quality in place of a temperature."""
    bench.run(1.0, plate_c=None)
    plate = shown(bench).plate
    assert (plate.plate_c, plate.quality) == (None, "open-circuit")


def test_a_heat_step_shows_its_band_and_soak(bench):
    """Setpoint, tolerance, soak so far and due."""
    bench.do("book-in unit=U-1 model=m", "start step=frame-off")
    bench.run(10.0, plate_c=98.0)
    state = shown(bench)
    assert (state.plate.setpoint_c, state.plate.tolerance_c, state.plate.at_setpoint) == (100.0, 5.0, True)
    assert state.step is not None
    assert state.step.soak_due_s == 300.0
    assert 9 <= state.step.soak_s <= 10
    assert (state.unit, state.on_plate, state.step.held) == ("U-1", "U-1", False)


def test_alarms_stand_most_urgent_first(bench):
    """Critical before high before low."""
    bench.run(2.0, plate_c=131.0)
    bench.run(2.0, amps=None)
    assert [alarm.priority for alarm in shown(bench).alarms] == ["critical", "high"]
    assert shown(bench).alarms[0].state == "unacknowledged"
