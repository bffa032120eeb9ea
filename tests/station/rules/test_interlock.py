"""Interlocks: every kind of step against every state of the wires, with all reasons at once."""

import itertools

import pytest
from hand_bench import RUNNING_A, STILL_A, HandBench
from msgspec import structs
from msgspec.structs import replace

from shared.events import ClockSet
from shared.readings import PlateQuality
from shared.sheet import parse_sheet
from shared.timeline import Moment, rfc3339
from station.rules.fold import fold
from station.rules.interlock import finish_refusals, permit_refusals, step_warnings
from station.rules.state import Run, State
from station.rules.tick import Tick

SHEET = parse_sheet(
    """
    name = "all-kinds"
    version = "1"
    [[step]]
    key = "inspect"
    title = "Look"
    kind = "inspect"
    [[step]]
    key = "other"
    title = "Do"
    kind = "other"
    [[step]]
    key = "fumy"
    title = "Do under extraction"
    kind = "other"
    extraction = true
    [[step]]
    key = "heat"
    title = "Heat"
    kind = "heat"
    setpoint_c = 100
    tolerance_c = 5
    [[step]]
    key = "wet"
    title = "Heat with solvent"
    kind = "heat"
    setpoint_c = 100
    tolerance_c = 5
    solvent = "hot"
    [[step]]
    key = "cool"
    title = "Heat, solvent only while cold"
    kind = "heat"
    setpoint_c = 60
    tolerance_c = 5
    solvent = "cold"
    [[step]]
    key = "solder"
    title = "Solder"
    kind = "solder"
    [[step]]
    key = "bond"
    title = "Bond"
    kind = "bond"
    open_time_min = 5
    [[step]]
    key = "cure"
    title = "Cure"
    kind = "cure"
    cure_h = 1
    after = ["bond"]
    """,
    "all-kinds.toml",
)

PLATES = {"cold": 25.0, "hot": 90.0, "fault": None, "over": 131.0}


def expected(key, proven, plate, out):
    """The contract's words as code, apart from the rules': who is refused, and why."""
    reasons = set()
    critical = plate == "over" or (out is True and plate == "hot" and not proven)
    if key in ("solder", "fumy") and not proven:
        reasons.add("extraction-not-proven")
    if key in ("heat", "wet", "cool", "solder") and plate == "fault":
        reasons.add("plate-sensor-fault")
    if plate == "over":
        reasons.add("plate-over-limit")
    if key == "solder" and out is not False:
        reasons.add("solvent-out")
    if key == "heat" and out is True:
        reasons.add("solvent-out")
    if key == "cool" and out is True and plate != "cold":
        reasons.add("solvent-out")
    if critical:
        reasons.add("critical-alarm")
    if key == "cure":
        reasons.add("step-order")
    return reasons


@pytest.mark.parametrize("proven", [True, False])
@pytest.mark.parametrize("plate", list(PLATES))
@pytest.mark.parametrize("out", [False, True, None])
def test_every_kind_of_step_is_refused_for_exactly_its_reasons(make_bench, proven, plate, out):
    """Kinds of step × extraction × plate × bottle: all reasons that apply, and no other."""
    bench = make_bench(sheet=SHEET)
    bench.do("book-in unit=U-1 model=m")
    if proven:
        bench.prove()
    bench.run(2.0, plate_c=PLATES[plate], out=out)
    for key in [step.key for step in SHEET.step]:
        before = bench.durable
        reasons = expected(key, proven, plate, out)
        if reasons:
            assert set(bench.ask(f"start step={key}")) == reasons, key
            assert bench.durable.units == before.units
            assert bench.told("step-refused")[-1]["reasons"] == list(bench.decision.outcomes[0].reasons)
        else:
            bench.do(f"start step={key}", "abandon reason=test")


@pytest.mark.parametrize("quality", [q for q in PlateQuality if q not in (PlateQuality.GOOD,)])
def test_permit_falls_for_every_kind_of_sensor_fault(bench, quality):
    """No reading, whatever the reason: no iron power."""
    bench.prove()
    assert bench.state.watch.permit
    bench.run(0.7, plate_c=None, fault=quality)
    assert not bench.state.watch.permit
    assert not bench.decision.levels.permit


def test_permit_needs_proof_sensor_and_no_critical_alarm(bench):
    """All eight combinations of the three: only the full one grants."""
    for proven, sensor, calm in itertools.product((True, False), repeat=3):
        one = type(bench)()
        if proven:
            one.prove()
        if not calm:
            one.run(2.0, plate_c=131.0)
        one.run(1.0, plate_c=(25.0 if calm else 131.0) if sensor else None)
        assert one.decision.levels.permit is (proven and sensor and calm), (proven, sensor, calm)


def test_start_without_a_unit_or_step_names_both(bench):
    """No unit in hand, a step nobody knows: both reasons."""
    assert set(bench.ask("start step=nonsense")) == {"no-unit", "unknown-step"}
    assert set(bench.ask("start step=intake unit=U-9")) == {"unknown-unit"}


def test_start_waits_for_the_steps_before_it(bench):
    """check-3 comes after cure, cure after bond."""
    bench.do("book-in unit=U-1 model=m")
    assert bench.ask("start step=check-3") == ("step-order",)
    assert bench.ask("start step=cure") == ("step-order",)
    bench.do("start step=bond", "finish step=bond result=fail")
    assert bench.ask("start step=cure") == ("step-order",)
    bench.do("start step=bond", "finish step=bond result=pass", "start step=cure")


def test_a_cure_is_the_cure_of_the_last_bond(bench):
    """Bonded again after its cure, with whatever result, a unit must cure again before it is checked."""
    cured = ("start step=bond", "finish step=bond result=pass", "start step=cure")
    bench.do("book-in unit=U-1 model=m", *cured)
    bench.tick(after_ms=25 * 3_600_000)
    bench.do("finish step=cure result=pass", "start step=check-3", "finish step=check-3 result=fail")
    bench.do("start step=bond")
    bench.do("abandon reason=tack")
    assert bench.ask("start step=check-3") == ("step-order",)
    assert bench.ask("start step=cure") == ("step-order",)  # a bond begun and given up is no bond
    bench.do("start step=bond", "finish step=bond result=fail")
    assert bench.ask("start step=check-3") == ("step-order",)
    bench.do("start step=bond", "finish step=bond result=pass")
    assert bench.ask("start step=check-3") == ("step-order",)
    bench.do("start step=cure")
    bench.tick(after_ms=25 * 3_600_000)
    bench.do("finish step=cure result=pass", "start step=check-3")


def test_a_unit_goes_away_in_its_cure_only_with_a_reason(bench):
    """Not by oversight; over, it may go."""
    cure = ("start step=bond", "finish step=bond result=pass", "start step=cure")
    bench.do("book-in unit=U-1 model=m", *cure, "book-in unit=U-2 model=m", *cure)
    assert bench.ask("close unit=U-1 outcome=done") == ("cure-unfinished",)
    bench.do('close unit=U-1 outcome=scrap reason="glass broke"')
    bench.tick(after_ms=25 * 3_600_000)
    bench.do("close unit=U-2 outcome=done")


def test_a_held_step_that_may_not_pass_is_told_every_reason(bench):
    """Held, and its soak not over: both."""
    bench.do("book-in unit=U-1 model=m", "start step=frame-off")
    bench.run(2.0, plate_c=None)
    assert bench.durable.run.held_by == ("plate-sensor-fault",)
    assert bench.ask("finish step=frame-off result=pass") == ("step-held", "soak-unfinished")
    assert bench.kinds()[-1] == "request-refused"


@pytest.mark.parametrize(("unit", "reasons"), [("U-2", ("step-not-running",)), ("U-1", ())])
def test_a_finish_that_names_a_unit_must_name_that_in_hand(bench, unit, reasons):
    """Several units cure at a time: what is said of one must not be told of another; a unit is no finding."""
    bench.do("book-in unit=U-2 model=m", "book-in unit=U-1 model=m", "start step=intake")
    assert bench.ask(f"finish step=intake result=pass unit={unit} grade=B") == reasons
    assert [event["findings"] for event in bench.told("step-finished")] == [{"grade": "B"}] * (not reasons)


SET_CLOCKS = (
    # first offset, then a step of the clock by h: however it goes, the cure is at least its 24 h old
    (-3.0, 24.1, ()),
    (-3.0, 23.9, ("cure-unfinished",)),
    (3.0, 24.1, ("cure-unfinished",)),
    (3.0, 27.1, ()),
)


@pytest.mark.parametrize(("step_h", "later_h", "reasons"), SET_CLOCKS)
@pytest.mark.parametrize("before", [True, False])
def test_a_cure_is_as_young_as_any_of_its_datings(make_bench, step_h, later_h, reasons, before):
    """The clock is set while it cures, or had been before: which of both times was right nobody can tell.

    Counted from the first clock, the unit has cured for ``later_h``; judged is by the later of the starts.
    """
    bench = make_bench()
    bench.do("book-in unit=U-1 model=m", "start step=bond", "finish step=bond result=pass", "start step=cure")
    first_ms, began_ms = 1_790_000_000_000, bench.now_ms
    set_at_ms = began_ms + (-1000 if before else 3_600_000)
    stepped_ms = first_ms + set_at_ms + round(step_h * 3_600_000)
    clocks = [(0, ClockSet(wall=rfc3339(first_ms))), (set_at_ms, ClockSet(wall=rfc3339(stepped_ms)))]
    told = sorted([*clocks, *bench.events], key=lambda one: one[0])
    offset_ms = first_ms + round(step_h * 3_600_000)  # a boot is dated by what its clock said last
    history = [(Moment(bench.boot, ms, offset_ms + ms), body) for ms, body in told]
    bench.state = State(fold(history), bench.state.watch)
    now = Moment("boot-2", 0, first_ms + began_ms + round(later_h * 3_600_000))
    tick = Tick(bench.book, bench.state, bench.reading(), now)
    assert tuple(finish_refusals(tick, tick.run, "pass")) == reasons


def test_a_second_attended_step_is_refused_on_any_unit(bench):
    """One pair of hands: while one step runs no other starts, here or on another unit."""
    bench.do("book-in unit=U-1 model=m", "book-in unit=U-2 model=m", "start step=intake")
    assert "step-running" in bench.ask("start step=clean")
    assert "step-running" in bench.ask("start step=intake unit=U-1")
    assert bench.ask("take unit=U-1") == ("step-running",)


def test_a_cure_leaves_the_hands_free(bench):
    """While one unit cures, another is worked at; the curing one starts nothing."""
    bench.do("book-in unit=U-1 model=m", "start step=bond", "finish step=bond result=pass", "start step=cure")
    assert set(bench.ask("start step=clean")) == {"step-running"}
    bench.do("book-in unit=U-2 model=m", "start step=intake", "finish step=intake result=pass")
    bench.do("take unit=U-1")
    assert set(bench.ask("finish step=cure result=pass")) == {"cure-unfinished"}
    assert set(bench.ask("start step=check-3")) == {"step-running", "step-order", "cure-unfinished"}
    bench.tick(after_ms=24 * 3_600_000)
    bench.do("finish step=cure result=pass", "start step=check-3")


def test_a_cure_across_a_restart_needs_a_trusted_clock(bench):
    """The monotonic clock starts anew: without wall time nobody can tell whether 24 h are over."""
    bench.do("book-in unit=U-1 model=m", "start step=bond", "finish step=bond result=pass", "start step=cure")
    bench.restart()
    assert set(bench.ask("finish step=cure result=pass")) == {"clock-untrusted"}


def test_soak_must_be_over_before_a_heat_step_passes(bench):
    """frame-off asks for five minutes at setpoint; a failure may be told at any time."""
    bench.do("book-in unit=U-1 model=m", "start step=frame-off")
    bench.run(299.0, plate_c=100.0)
    assert bench.ask("finish step=frame-off result=pass") == ("soak-unfinished",)
    assert bench.told("step-refused")[-1]["request"] == "finish"
    bench.run(2.0)
    bench.do("finish step=frame-off result=pass")
    assert bench.told("step-finished")[-1]["values"]["soak_s"] == pytest.approx(301, abs=0.5)
    bench.do("start step=frame-off", "finish step=frame-off result=fail")


# What the mutation campaign found untested.


def test_before_the_first_reading_of_the_plate_its_absence_is_the_reason(bench):
    """The sensor's alarm takes half a second to come; until then the missing reading itself refuses."""
    bench.do("book-in unit=U-1 model=m")
    bench.plate_c = None
    bench.restart()
    assert "plate-sensor-fault" in bench.ask("start step=frame-off")
    assert bench.ask("start step=bond") == ()
    assert bench.raised() == []
    tick = Tick(bench.book, bench.state, bench.reading(), Moment(bench.boot, bench.now_ms))
    assert permit_refusals(tick) == ["extraction-not-proven", "plate-sensor-fault"]


def test_a_plate_at_exactly_the_hot_limit_is_hot(make_bench):
    """From 40 °C on a plate is hot: "cold" solvent may not be out at it."""
    bench = make_bench(sheet=SHEET)
    bench.do("book-in unit=U-1 model=m")
    hot_c = bench.book.limits.solvent.hot_plate_c
    bench.run(0.5, plate_c=hot_c, out=True)
    assert bench.ask("start step=cool") == ("solvent-out",)
    bench.run(0.5, plate_c=hot_c - 0.5)
    bench.do("start step=cool")


def test_only_a_heat_step_needs_the_plate_to_itself(bench):
    """While one unit lies on the plate, another may be inspected."""
    bench.do("book-in unit=U-1 model=m", "place unit=U-1", "book-in unit=U-2 model=m")
    assert bench.ask("start step=frame-off") == ("plate-occupied",)
    bench.do("start step=intake")


def test_a_cure_is_over_with_its_last_millisecond(bench):
    """24 h to the millisecond, not one less and none more."""
    bench.do("book-in unit=U-1 model=m", "start step=bond", "finish step=bond result=pass", "start step=cure")
    bench.tick(after_ms=24 * 3_600_000 - 101)
    assert bench.ask("finish step=cure result=pass") == ("cure-unfinished",)
    assert bench.tick("finish step=cure result=pass", after_ms=1).outcomes[0].reasons == ()


def test_a_soak_is_over_when_it_is_as_long_as_was_asked():
    """The limit itself is enough; a step without a soak asks for none."""
    step = SHEET.find("heat")
    for soaked_ms, soak_min, reasons in ((59_999, 1, ["soak-unfinished"]), (60_000, 1, []), (0, None, [])):
        bench = HandBench(sheet=structs.replace(SHEET, step=(structs.replace(step, soak_min=soak_min),)))
        watch = structs.replace(
            bench.state.watch, heat=structs.replace(bench.state.watch.heat, soak_ms=soaked_ms)
        )
        tick = Tick(bench.book, State(bench.state.durable, watch), bench.reading(), Moment("boot-1", 1))
        run = Run(step="heat", attempt=1, started=Moment("boot-1", 0))
        assert finish_refusals(tick, run, "pass") == reasons
        assert finish_refusals(tick, run, "fail") == []


@pytest.mark.parametrize(
    ("key", "uncertainty_c", "warnings"),
    [
        ("heat", 5.1, ["tolerance-below-uncertainty"]),
        ("heat", 5.0, []),
        ("heat", None, []),
        ("inspect", 5.1, []),
    ],
)
def test_a_tolerance_tighter_than_the_reading_is_sure_of_is_warned_of(key, uncertainty_c, warnings):
    """The band of the step is 5 °C: only an uncertainty above it is worth a warning."""
    assert step_warnings(SHEET.find(key), uncertainty_c) == warnings


def test_a_held_step_waits_for_the_reset_of_a_latched_alarm(bench):
    """Over-temperature latches: gone and acknowledged is not enough to go on."""
    bench.do("book-in unit=U-1 model=m", "start step=frame-off")
    bench.run(2.0, plate_c=131.0)
    assert "cause-standing" in bench.ask("resume")
    bench.run(30.0, plate_c=90.0)
    assert {"alarm-unacknowledged", "alarm-latched"} <= set(bench.ask("resume"))
    bench.do("ack")
    assert "alarm-latched" in bench.ask("resume")
    bench.do("reset", "resume")


@pytest.mark.parametrize("changed", ["renamed", "made into other work", "dropped"])
def test_a_solder_step_does_not_outlive_its_sheet(make_bench, changed):
    """The sheet changes while the step waits through a restart: no resume and no pass, only giving it up."""
    bench = make_bench()
    bench.prove()
    bench.do("book-in unit=U-1 model=m", "start step=solder")
    steps = bench.book.sheet.step
    if changed == "renamed":
        steps = tuple(replace(s, key="joint") if s.key == "solder" else s for s in steps)
    elif changed == "dropped":
        steps = tuple(s for s in steps if s.key != "solder")
    else:
        steps = tuple(replace(s, kind="other") if s.key == "solder" else s for s in steps)
    bench.book = bench.book._replace(sheet=replace(bench.book.sheet, step=steps))
    bench.restart()
    bench.run(6, amps=STILL_A)
    assert bench.ask("resume") == ("unknown-step",)
    bench.run(6, amps=RUNNING_A)
    assert bench.ask("resume") == ("unknown-step",)
    assert bench.ask("finish step=solder result=pass") == ("step-held", "unknown-step")
    assert bench.durable.run.held_by
    bench.do("abandon reason=sheet")
    assert bench.durable.units["U-1"].passed == ()


def test_a_step_the_sheet_has_lost_may_not_pass_even_where_nothing_holds_it(make_bench):
    """A cure goes on through a restart; under a sheet that does not know it, it cannot be told done."""
    bench = make_bench()
    bench.do("book-in unit=U-1 model=m", "start step=bond", "finish step=bond result=pass", "start step=cure")
    steps = tuple(s for s in bench.book.sheet.step if s.key != "cure")
    bench.book = bench.book._replace(sheet=replace(bench.book.sheet, step=steps))
    bench.restart()
    bench.tick()
    assert bench.ask("finish step=cure result=pass") == ("unknown-step",)
    bench.do("book-in unit=U-2 model=m")  # and a cure under no sheet leaves the hands free as any other


def test_soak_counts_only_while_the_panel_lies_on_the_plate(bench):
    """Taken off, the panel does not soak, however right the plate is; laid back, it goes on."""
    bench.do("book-in unit=U-1 model=m", "start step=frame-off")
    bench.run(60, plate_c=100.0)
    soaked_ms = bench.state.watch.heat.soak_ms
    assert soaked_ms > 50_000
    bench.do("remove")
    bench.run(400)
    assert bench.state.watch.heat.soak_ms - soaked_ms <= 100
    assert bench.ask("finish step=frame-off result=pass") == ("soak-unfinished",)
    bench.do("place")
    bench.run(10)
    assert bench.state.watch.heat.soak_ms - soaked_ms >= 9_900


def test_solder_is_held_when_nobody_can_tell_where_the_bottle_is(bench):
    """Unknown is never safe: a start is refused so, and a running step is held after a second of it."""
    bench.prove()
    bench.do("book-in unit=U-1 model=m", "start step=solder")
    bench.run(0.9, out=None)
    assert bench.durable.run.held_by == ()
    bench.run(0.3)
    assert bench.durable.run.held_by == ("solvent-at-iron",)
    assert not bench.decision.levels.permit
    bench.do("ack")
    assert bench.ask("resume") == ("cause-standing", "solvent-out", "critical-alarm")
    bench.run(0.2, out=False)
    bench.do("resume")


def test_an_alarm_that_holds_a_step_is_acknowledged_before_it_is_shelved(bench):
    """Else shelving would let the step go on without anybody having seen why it was held."""
    bench.do("book-in unit=U-1 model=m", "start step=frame-off")
    bench.run(2, plate_c=None)
    assert bench.ask("shelve alarm=plate-sensor-fault minutes=1 by=T-1 reason=x") == ("alarm-unacknowledged",)
    bench.do("ack", "shelve alarm=plate-sensor-fault minutes=1 by=T-1 reason=x")
