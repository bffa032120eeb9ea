"""What each event leaves in the durable state, and what one leaves alone that comes out of turn."""

from datetime import UTC, datetime

import pytest
from msgspec.structs import replace

from shared import events
from shared.timeline import Moment
from station.rules.fold import apply
from station.rules.state import AlarmLife, Commission, Dating, Durable, Life, Run, Unit

NOW = Moment("boot-1", 60_000)


def wall_ms(hour: int, minute: int, second: int) -> int:
    """A time of 2 March 2026 in UTC, by the standard library's calendar."""
    return round(datetime(2026, 3, 2, hour, minute, second, tzinfo=UTC).timestamp() * 1000)


def working(started: Moment, dated: Dating | None = None) -> Durable:
    """Two units, one of them in its cure."""
    return Durable(units={"U-1": Unit("m", run=Run("cure", 1, started)), "U-2": Unit("m")}, dated=dated)


def offset_ms(hour: int, minute: int, second: int) -> int:
    """Wall time minus monotonic time of a clock that says so at NOW."""
    return wall_ms(hour, minute, second) - 60_000


@pytest.mark.parametrize(
    ("boot", "mono_ms", "known", "clock", "started"),
    [
        pytest.param("boot-1", 10_000, None, (8, 0, 0), (7, 59, 10), id="no date yet"),
        pytest.param("boot-1", 10_000, (7, 50, 0), (8, 0, 0), (7, 59, 10), id="an earlier date"),
        pytest.param("boot-1", 10_000, (8, 30, 0), (8, 0, 0), (8, 30, 0), id="a later date stays"),
        pytest.param("boot-0", 10_000, (7, 0, 0), (8, 0, 0), (7, 0, 0), id="another boot, dated"),
        pytest.param("boot-0", 10_000, None, (8, 0, 0), None, id="another boot, undated"),
    ],
)
def test_a_clock_that_is_set_dates_what_runs_in_its_boot(boot, mono_ms, known, clock, started):
    """Set 60 s into the boot, it dates what began 50 s before, and the latest of several dates counts.

    So a cure is never taken for older than it is.
    """
    began = Moment(boot, mono_ms, None if known is None else wall_ms(*known))
    body = events.ClockSet(wall=f"2026-03-02T{clock[0]:02}:{clock[1]:02}:{clock[2]:02}Z")
    after = apply(working(began), NOW, body)
    run = after.units["U-1"].run
    assert run.started == Moment(boot, mono_ms, None if started is None else wall_ms(*started))
    assert after.units["U-2"] == Unit("m")
    assert after.dated == Dating("boot-1", offset_ms(*clock))


@pytest.mark.parametrize(
    ("known", "taken"),
    [
        pytest.param(Dating("boot-1", offset_ms(7, 0, 0)), True, id="set forward"),
        pytest.param(Dating("boot-1", offset_ms(9, 0, 0)), False, id="set back"),
        pytest.param(Dating("boot-0", offset_ms(9, 0, 0)), True, id="another boot's later one"),
        pytest.param(Dating("boot-0", offset_ms(7, 0, 0)), True, id="another boot's earlier one"),
    ],
)
def test_of_a_boots_datings_the_latest_stays(known, taken):
    """A clock set back within a boot changes no date; a new boot begins anew."""
    before = working(Moment("boot-1", 10_000), known)
    after = apply(before, NOW, events.ClockSet(wall="2026-03-02T08:00:00Z"))
    assert after.dated == (Dating("boot-1", offset_ms(8, 0, 0)) if taken else known)
    assert (after.units["U-1"].run.started.wall_ms == wall_ms(7, 59, 10)) is taken


def test_a_start_without_word_of_its_settings_keeps_the_last_known():
    """Whether they have changed is judged against those."""
    started = events.StationStarted(station="bench-1", version="1", sheet="s 1")
    assert apply(Durable(settings="abc"), NOW, started) == Durable(settings="abc")
    told = events.StationStarted(station="bench-1", version="1", sheet="s 1", settings="def")
    assert apply(Durable(settings="abc"), NOW, told) == Durable(settings="def")


def test_whoever_signs_out_is_gone():
    """Nothing later is recorded under that name."""
    assert apply(Durable(technician="T-1"), NOW, events.SignedOut(technician="T-1")) == Durable()


@pytest.mark.parametrize(("closed", "in_hand"), [("U-1", None), ("U-2", "U-1")])
def test_closing_a_unit_takes_only_it_out_of_the_hand(closed, in_hand):
    """Another one stays where it is, with all that is known of it."""
    units = {"U-1": Unit("m", passed=("intake",)), "U-2": Unit("n")}
    after = apply(Durable(in_hand="U-1", units=units), NOW, events.UnitClosed(unit=closed, outcome="x"))
    kept = {name: unit for name, unit in units.items() if name != closed}
    assert (after.in_hand, after.units) == (in_hand, kept)


def test_a_step_begun_again_counts_its_attempt_and_is_passed_no_more():
    """What the event says, kept with the run."""
    before = Durable(units={"U-1": Unit("m", passed=("intake", "clean"), attempts={"intake": 2})})
    body = events.StepStarted(unit="U-1", step="intake", attempt=3, work="inspect")
    run = Run("intake", 3, NOW, "inspect")
    assert apply(before, NOW, body).units["U-1"] == Unit("m", None, ("clean",), {"intake": 3}, run)


@pytest.mark.parametrize(("result", "passed"), [("fail", ("clean",)), ("pass", ("clean", "intake"))])
def test_the_newest_result_of_a_step_is_the_one_that_counts(result, passed):
    """Even where a record has no start of it: what failed is not passed, what passed is passed last."""
    before = Durable(units={"U-1": Unit("m", passed=("intake", "clean"), run=Run("intake", 2, NOW))})
    body = events.StepFinished(unit="U-1", step="intake", result=result)
    unit = apply(before, NOW, body).units["U-1"]
    assert (unit.passed, unit.run) == (passed, None)


@pytest.mark.parametrize(
    "body",
    [
        events.StepResumed(unit="U-1", step="intake"),
        events.StepHeld(unit="U-1", step="intake", alarm="plate-high"),
        events.PlateAtSetpoint(unit="U-1", step="intake"),
        events.AlarmAcknowledged(alarm="link-down"),
        events.AlarmReturned(alarm="link-down"),
        events.AlarmClosed(alarm="link-down"),
        events.SolventLifted(),
    ],
)
def test_what_comes_out_of_turn_changes_nothing(body):
    """No step under way, no such alarm: the record is read all the same."""
    before = Durable(in_hand="U-1", units={"U-1": Unit("m")})
    assert apply(before, NOW, body) == before


@pytest.mark.parametrize(
    ("state", "body", "after"),
    [
        (None, events.AlarmRaised(alarm="a", priority="low"), Life.UNACKNOWLEDGED),
        (Life.UNACKNOWLEDGED, events.AlarmAcknowledged(alarm="a"), Life.ACKNOWLEDGED),
        (Life.RETURNED, events.AlarmAcknowledged(alarm="a"), None),
        (Life.LATCHED_UNACKNOWLEDGED, events.AlarmAcknowledged(alarm="a"), Life.LATCHED_ACKNOWLEDGED),
        (Life.UNACKNOWLEDGED, events.AlarmReturned(alarm="a"), Life.RETURNED),
        (Life.ACKNOWLEDGED, events.AlarmReturned(alarm="a"), None),
        (Life.UNACKNOWLEDGED, events.AlarmReturned(alarm="a", latched=True), Life.LATCHED_UNACKNOWLEDGED),
        (Life.ACKNOWLEDGED, events.AlarmReturned(alarm="a", latched=True), Life.LATCHED_ACKNOWLEDGED),
        (Life.LATCHED_ACKNOWLEDGED, events.AlarmClosed(alarm="a"), None),
        (Life.UNACKNOWLEDGED, events.AlarmSuppressed(alarm="a", reason="b"), Life.SUPPRESSED),
        (Life.SUPPRESSED, events.AlarmUnsuppressed(alarm="a"), None),
        (Life.UNACKNOWLEDGED, events.AlarmOutOfService(alarm="a", by="S-1", reason="x"), Life.OUT_OF_SERVICE),
        (Life.OUT_OF_SERVICE, events.AlarmInService(alarm="a", by="S-1"), None),
    ],
)
def test_an_alarms_state_and_since_when_follow_its_events(state, body, after):
    """States by IEC 62682 (from memory); normal ones are not listed, and others are left alone."""
    other = {"other": AlarmLife(Life.ACKNOWLEDGED, Moment("boot-1", 1))}
    before = other if state is None else {**other, "a": AlarmLife(state, Moment("boot-1", 2))}
    alarms = apply(Durable(alarms=before), NOW, body).alarms
    assert alarms == (other if after is None else {**other, "a": AlarmLife(after, NOW)})


def test_a_shelved_alarm_keeps_for_how_long():
    """From the moment it was shelved."""
    body = events.AlarmShelved(alarm="a", minutes=30.0, reason="x")
    assert apply(Durable(), NOW, body).alarms == {"a": AlarmLife(Life.SHELVED, NOW, 30.0)}


@pytest.mark.parametrize("passed", [True, False])
def test_a_walk_through_the_wiring_is_kept_with_who_when_and_which_wires(passed):
    """Nothing else changes with it."""
    body = events.Commissioned(station="bench-1", by="S-1", passed=passed, verdicts={}, wires="w-1")
    before = Durable(technician="T-1", settings="abc")
    assert apply(before, NOW, body) == replace(before, commission=Commission("S-1", passed, "w-1", NOW))
