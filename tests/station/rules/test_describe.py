"""The snapshot that pages show."""

import msgspec
import pytest
from msgspec.structs import replace

from shared.sheet import Sheet, default_sheet
from shared.timeline import Moment
from station.rules.causes import BY_ALARM
from station.rules.describe import describe
from station.rules.panel import Panel
from station.rules.state import Commission, ShiftCheck
from station.rules.vapour import Air, Breathed, VapourWatch

WALL_MS = 1_772_440_000_000  # 2026-03-02T08:26:40Z, by the standard calendar


def shown(bench):
    """The bench's snapshot after its last tick."""
    now = Moment(bench.boot, bench.now_ms, WALL_MS)
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
    assert [lock.title for lock in shown(bench).locked] == ["Every other step"]


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


def plain(value):
    """As it goes out: names and values."""
    return msgspec.to_builtins(value)


def changed(bench, **watch):
    """The bench with some of what it knows of the wires set by hand."""
    bench.state = replace(bench.state, watch=replace(bench.state.watch, **watch))
    return shown(bench)


# ---- the whole of it, name by name


def test_snapshot_of_an_idle_bench_is_this(bench):
    """Every name of the state message, after one tick of a cold bench; worked out by hand."""
    bench.tick()
    assert plain(shown(bench)) == {
        "station": "bench-1",
        "boot": "boot-1",
        "mono_s": 0.1,
        "at": "2026-03-02T08:26:40.000Z",
        "plate": {
            "plate_c": 25.0,
            "quality": "good",
            "cold_junction_c": 24.0,
            "setpoint_c": None,
            "tolerance_c": None,
            "at_setpoint": False,
            "uncertainty_c": None,
            "age_s": 0.0,
            "faults": {},
            "panel_c": None,
            "panel_at_setpoint": None,
            "ready_plate_s": None,
            "ready_panel_s": None,
        },
        "extraction": {"extraction_a": 0.005, "quality": "good", "proven": False, "since_s": 0.0},
        "solvent_out": False,
        "vapour": {
            "solvent": "isopropyl-alcohol",
            "ppm": 0.0,
            "lel_share": 0.0,
            "short_term_ppm": 0.0,
            "short_term_limit_ppm": 500,
            "long_term_ppm": 0.0,
            "long_term_limit_ppm": 400,
            "watched_s": 0.0,
            "dose_ml": 0.5,
            "assumes": "all that is drawn (0.5 mL a lift, or what is told) goes into the air of 50 L, "
            "through which without extraction a draught moves 10 m³/h (mixing factor 3)",
        },
        "permit": False,
        "technician": None,
        "unit": None,
        "model": None,
        "on_plate": None,
        "step": None,
        "locked": [
            {"what": "iron-power", "title": "Iron power", "reasons": ["extraction-not-proven"]},
            {"what": "every-step", "title": "Every step", "reasons": ["no-unit"]},
            {
                "what": "solder",
                "title": "Solder the flex (183 °C alloy)",
                "reasons": ["extraction-not-proven"],
            },
        ],
        "may_start": [],
        "alarms": [],
        "indication": {"red": "off", "amber": "steady", "green": "off", "blue": "off", "sound": "none"},
        "commissioning": None,
        "keeping": None,
        "ticks": 7,
        "ticks_missed": 1,
    }


def test_snapshot_of_a_heat_step_is_this(bench):
    """A plate that jumps to 98.4567 °C counts the jump as a fault of its rate, and soaks from there on."""
    bench.prove()
    bench.do("sign-in technician=rill", "book-in unit=U-1 model=m", "start step=frame-off")
    bench.run(30.0, plate_c=98.4567)
    state = plain(shown(bench))
    plate = state["plate"]
    assert 70 < plate.pop("panel_c") < 98
    assert 0 < plate.pop("ready_panel_s") < 60
    assert plate == {
        "plate_c": 98.46,
        "quality": "good",
        "cold_junction_c": 24.0,
        "setpoint_c": 100.0,
        "tolerance_c": 5.0,
        "at_setpoint": True,
        "uncertainty_c": None,
        "age_s": 0.0,
        "faults": {"absurd-rate": 1},
        "panel_at_setpoint": False,
        "ready_plate_s": 0.0,
    }
    soaked_s = state["step"].pop("soak_s")
    assert 29.5 <= soaked_s <= 29.9
    assert state["step"] == {
        "key": "frame-off",
        "title": "Warm through and lift the frame",
        "kind": "heat",
        "held": False,
        "held_by": [],
        "resume_refusals": [],
        "elapsed_s": 30.0,
        "max_s": None,
        "warnings": [],
        "soak_due_s": 300.0,
        "open_s": None,
        "open_due_s": None,
        "cure_s": None,
        "cure_due_s": None,
    }
    assert (state["technician"], state["unit"], state["model"], state["on_plate"]) == (
        "rill",
        "U-1",
        "m",
        "U-1",
    )
    assert (state["permit"], state["may_start"]) == (True, [])


def test_snapshot_of_a_held_solder_step_says_what_holds_it_and_what_bars_the_way(bench):
    """The fan dies: 0.5 s later the step is held, and everything that stands against going on is told."""
    bench.prove()
    bench.do("book-in unit=U-1 model=m", "start step=solder")
    bench.run(4.0)
    assert shown(bench).permit is True
    bench.run(2.5, amps=0.01)
    state = plain(shown(bench))
    assert state["extraction"] == {"extraction_a": 0.01, "quality": "good", "proven": False, "since_s": 1.9}
    assert state["step"]["held"] is True
    assert state["step"]["held_by"] == ["extraction-lost"]
    assert state["step"]["resume_refusals"] == [
        "cause-standing",
        "alarm-unacknowledged",
        "extraction-not-proven",
        "critical-alarm",
    ]
    assert state["step"]["elapsed_s"] == 6.5
    row = BY_ALARM["extraction-lost"]
    assert state["alarms"] == [
        {
            "alarm": "extraction-lost",
            "priority": "critical",
            "state": "unacknowledged",
            "title": row.title,
            "text": row.action,
            "since_s": 1.9,
            "standing": True,
        }
    ]
    assert state["locked"][0]["reasons"] == ["extraction-not-proven", "critical-alarm"]


# ---- figures and their digits


def test_figures_are_rounded_to_what_they_are_worth(bench):
    """Currents to mA, plates to hundredths, estimates to tenths, a share to a hundredth of a percent."""
    bench.do("book-in unit=U-1 model=m", "start step=frame-off")
    bench.book = bench.book._replace(uncertainty_c=1.2345)
    bench.run(1.0, plate_c=25.987654, amps=0.0123456)
    vapour = VapourWatch(
        Air(0.0, 1234.56789), Breathed((12_345.678,), (1_234_567.8,)), since_ms=bench.now_ms - 2500
    )
    warming = replace(bench.state.watch.warming, panel=Panel(24.56789, 24.6))
    state = changed(bench, vapour=vapour, warming=warming)
    assert (state.plate.uncertainty_c, state.plate.plate_c, state.plate.panel_c) == (1.2, 25.99, 24.6)
    assert state.extraction.extraction_a == 0.012
    assert (state.vapour.ppm, state.vapour.watched_s) == (1234.6, 2.5)
    assert state.vapour.lel_share == round(1234.56789 / 20_000, 4)  # 2.0 % by volume
    assert state.vapour.short_term_ppm == round(12_345.678 / 900, 1)
    assert state.vapour.long_term_ppm == round(1_234_567.8 / 28_800, 1)


def test_reading_that_is_not_there_has_an_age_and_no_number(bench):
    """Seconds since the last valid reading; None where there never was one."""
    bench.run(1.0)
    bench.run(1.3, plate_c=None, amps=None)
    state = shown(bench)
    assert (state.plate.age_s, state.plate.plate_c, state.plate.quality) == (1.3, None, "open-circuit")
    assert (state.extraction.extraction_a, state.extraction.quality) == (None, "unreadable")
    assert changed(bench, plate=replace(bench.state.watch.plate, valid_ms=None)).plate.age_s is None


def test_vapour_tells_what_the_extractor_has_to_do_with_it(bench):
    """The assumption that sets the estimate follows the proof."""
    bench.prove()
    assert "the extractor moves 100 m³/h" in shown(bench).vapour.assumes


def test_time_of_proof_is_counted_from_the_change(bench):
    """5 s of running prove; from there on the time is that of the proof."""
    bench.prove()
    assert shown(bench).extraction.since_s == pytest.approx(0.1)
    bench.run(3.0)
    assert shown(bench).extraction.since_s == pytest.approx(3.1)


# ---- steps by their kind


@pytest.mark.parametrize(
    ("step", "clocks"),
    [
        ("bond", {"open_s": 2.0, "open_due_s": 300.0}),
        ("cure", {"cure_s": 2.0, "cure_due_s": 86_400.0}),
        ("laminate", {}),
        ("solder", {"max_s": 90.0}),
        ("separate", {}),
    ],
)
def test_step_has_the_clocks_of_its_kind_and_no_others(make_bench, step, clocks):
    """Open time from the adhesive, cure from the bond, a greatest time where the sheet gives one."""
    sheet = default_sheet()
    steps = [msgspec.structs.replace(one, after=()) for one in sheet.step]
    steps = [msgspec.structs.replace(one, max_min=1.5) if one.key == "solder" else one for one in steps]
    bench = make_bench(sheet=Sheet(name="t", version="1", step=tuple(steps)))
    bench.prove()
    bench.do("book-in unit=U-1 model=m", f"start step={step}")
    bench.run(2.0)
    told = plain(shown(bench).step)
    assert told["elapsed_s"] == 2.0
    names = ("max_s", "soak_s", "soak_due_s", "open_s", "open_due_s", "cure_s", "cure_due_s")
    assert {name: told[name] for name in names if told[name] is not None} == clocks


def test_step_the_sheet_lacks_stands_with_its_old_name_and_kind(make_bench):
    """A sheet changed under a running step: the step is told as what it was begun as."""
    bench = make_bench()
    bench.prove()
    bench.do("book-in unit=U-1 model=m", "start step=solder")
    sheet = default_sheet()
    kept = tuple(one for one in sheet.step if one.key != "solder")
    bench.book = bench.book._replace(sheet=Sheet(name="t", version="2", step=kept))
    bench.tick()
    step = shown(bench).step
    assert (step.key, step.title, step.kind) == ("solder", "solder (not in this sheet)", "solder")


def test_step_of_an_old_record_without_its_kind_stands_as_other(bench):
    """Records from before the kind was told say nothing of it."""
    bench.do("book-in unit=U-1 model=m", "start step=intake")
    unit = bench.durable.units["U-1"]
    run = replace(unit.run, step="gone", work=None)
    units = {"U-1": replace(unit, run=run)}
    bench.state = replace(bench.state, durable=replace(bench.durable, units=units))
    assert shown(bench).step.kind == "other"


def test_band_is_told_for_heat_steps_only_and_reached_only_when_told(bench):
    """A plate inside the band has not reached it before the rules say so."""
    bench.run(1.0, plate_c=98.0)
    bench.do("book-in unit=U-1 model=m")
    assert shown(bench).plate.setpoint_c is None
    bench.do("start step=laminate")
    assert (shown(bench).plate.setpoint_c, shown(bench).plate.at_setpoint) == (None, False)
    bench.do("finish step=laminate result=pass", "start step=frame-off")
    bench.run(2.0)
    assert shown(bench).plate.at_setpoint is True
    bench.run(0.5, plate_c=90.0)
    assert (shown(bench).plate.setpoint_c, shown(bench).plate.at_setpoint) == (100.0, False)


# ---- what may be done next


def test_choices_are_the_steps_nothing_stands_against(bench):
    """Those the unit has not passed, in the sheet's order; none without a unit or while a step runs."""
    assert shown_after_a_tick(bench).may_start == []
    bench.do("book-in unit=U-1 model=m")
    keys = [choice.key for choice in shown(bench).may_start]
    assert keys[0] == "intake"
    assert "solder" not in keys
    bench.do("start step=intake")
    assert shown(bench).may_start == []
    bench.do("finish step=intake result=pass")
    (first, *_) = shown(bench).may_start
    assert (first.key, first.title) == ("frame-off", "Warm through and lift the frame")


def shown_after_a_tick(bench):
    """The snapshot of a bench that has just begun."""
    bench.tick()
    return shown(bench)


# ---- alarms


def test_alarm_of_another_boot_has_no_age(bench):
    """The monotonic clock began anew: how long it has stood is not known by it."""
    bench.run(3.0, plate_c=131.0)
    (alarm,) = [alarm for alarm in shown(bench).alarms if alarm.alarm == "plate-over-limit"]
    assert alarm.since_s > 0.5
    bench.restart()
    bench.tick()
    assert {alarm.since_s for alarm in shown(bench).alarms if alarm.alarm == "plate-over-limit"} == {0.0}


def test_newest_stands_first_among_alarms_as_urgent_as_each_other(bench):
    """What has just happened is what the eye looks for."""
    bench.run(3.0)
    bench.run(3.0, plate_c=None)
    bench.run(2.0, amps=None)
    alarms = shown(bench).alarms
    assert [alarm.priority for alarm in alarms] == ["high", "high"]
    assert alarms[0].since_s < alarms[1].since_s
    assert [alarm.alarm for alarm in alarms] == ["extraction-sensor-fault", "plate-sensor-fault"]


# ---- commissioning


@pytest.mark.parametrize(
    ("walked", "commissioned", "reason"),
    [
        (None, False, "never"),
        (Commission("rill", True, "w-1", Moment("boot-0", 5, WALL_MS)), True, None),
        (Commission("rill", True, "w-0", Moment("boot-0", 5, WALL_MS)), False, "wires-changed"),
        (Commission("rill", False, "w-1", Moment("boot-0", 5, WALL_MS)), False, "failed"),
        (Commission("rill", False, "w-0", Moment("boot-0", 5, WALL_MS)), False, "wires-changed"),
    ],
)
def test_commissioning_is_told_with_its_reason(bench, walked, commissioned, reason):
    """Who walked the wiring and when, and why that does not count (any more)."""
    bench.tick()
    bench.book = bench.book._replace(wires="w-1")
    bench.state = replace(bench.state, durable=replace(bench.durable, commission=walked))
    assert plain(shown(bench).commissioning) == {
        "commissioned": commissioned,
        "reason": reason,
        "by": "rill" if walked else None,
        "at": "2026-03-02T08:26:40.000Z" if walked else None,
        "shift_passed": None,
        "shift_by": None,
        "shift_at": None,
    }


def test_check_of_a_shift_is_told_with_who_made_it(bench):
    """Passed or not, by whom, when."""
    bench.tick()
    bench.book = bench.book._replace(wires="w-1")
    shift = ShiftCheck("odile", False, Moment("boot-0", 5, WALL_MS + 1500))
    bench.state = replace(bench.state, durable=replace(bench.durable, shift_check=shift))
    told = shown(bench).commissioning
    assert (told.shift_passed, told.shift_by, told.shift_at) == (False, "odile", "2026-03-02T08:26:41.500Z")
    assert (told.reason, told.by, told.at) == ("never", None, None)
