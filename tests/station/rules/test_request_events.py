"""What each request tells, whole: the events in order, with unit, step, values, reasons and whose doing."""

import msgspec
import pytest
from hand_bench import STILL_A, HandBench

from shared.events import (
    AlarmInService,
    AlarmOutOfService,
    AlarmShelved,
    AlarmUnshelved,
    RequestRefused,
    ReviewSigned,
    SignedIn,
    SignedOut,
    SolventDispensed,
    StepAbandoned,
    StepFinished,
    StepRefused,
    StepResumed,
    StepStarted,
    UnitBookedIn,
    UnitClosed,
    UnitPlaced,
    UnitRemoved,
    UnitTaken,
)
from shared.readings import Health
from shared.requests import parse_text
from shared.sheet import default_sheet
from shared.timeline import Moment
from station.rules.limits import AlarmLimits, Limits
from station.rules.requests import carry_out
from station.rules.state import HeatWatch
from station.rules.tick import Book, Tick

UNIT = "book-in unit=U-1 model=m"
SOAKED = HeatWatch(soak_ms=300_000, inside=True, start_c=25.0, foot_c=100.0, foot_ms=1000)


@pytest.fixture
def signed_in(bench: HandBench) -> HandBench:
    """A bench with somebody at it."""
    bench.do("sign-in technician=T-1")
    return bench


@pytest.fixture
def led() -> HandBench:
    """A bench with somebody at it, where S-1 may take alarms out of service."""
    bench = HandBench(Limits(alarms=AlarmLimits(authorisers=("S-1",))))
    bench.do("sign-in technician=T-1")
    return bench


@pytest.mark.parametrize(
    ("before", "asked", "told"),
    [
        ([], "sign-in technician=T-2", [SignedOut(technician="T-1"), SignedIn(technician="T-2")]),
        ([], "sign-in technician=T-1", [SignedIn(technician="T-1")]),
        ([], "sign-out", [SignedOut(technician="T-1")]),
        (
            [],
            "book-in unit=U-1 model=m job=J-1",
            [
                UnitBookedIn(unit="U-1", model="m", job="J-1", technician="T-1"),
                UnitTaken(unit="U-1", technician="T-1"),
            ],
        ),
        ([UNIT], "take unit=U-1", [UnitTaken(unit="U-1", technician="T-1")]),
        ([UNIT], "place", [UnitPlaced(unit="U-1", technician="T-1")]),
        (
            [UNIT, "book-in unit=U-2 model=m"],
            "place unit=U-1",
            [UnitPlaced(unit="U-1", technician="T-1")],
        ),
        ([UNIT, "place"], "remove", [UnitRemoved(unit="U-1", technician="T-1")]),
        (
            [UNIT, "start step=intake"],
            "abandon reason='glass broke'",
            [
                StepAbandoned(
                    unit="U-1",
                    step="intake",
                    reason="glass broke",
                    values={"duration_s": 0.1},
                    technician="T-1",
                )
            ],
        ),
        (
            [UNIT, "start step=intake"],
            "finish step=intake result=fail scratch=deep",
            [
                StepFinished(
                    unit="U-1",
                    step="intake",
                    result="fail",
                    findings={"scratch": "deep"},
                    values={"duration_s": 0.1},
                    technician="T-1",
                )
            ],
        ),
        (
            [UNIT],
            "close unit=U-1 outcome=scrapped reason=cracked",
            [UnitClosed(unit="U-1", outcome="scrapped", reason="cracked", technician="T-1")],
        ),
        (
            [UNIT],
            "close unit=U-1 outcome=repaired",
            [UnitClosed(unit="U-1", outcome="repaired", technician="T-1")],
        ),
        (
            [UNIT, "start step=bond", "finish step=bond result=pass", "start step=cure"],
            "close unit=U-1 outcome=scrapped reason=cracked",
            [
                StepAbandoned(unit="U-1", step="cure", reason="unit closed", technician="T-1"),
                UnitClosed(unit="U-1", outcome="scrapped", reason="cracked", technician="T-1"),
            ],
        ),
        (
            [],
            "shelve alarm=link-down minutes=240 reason='router is changed'",
            [AlarmShelved(alarm="link-down", minutes=240.0, reason="router is changed", technician="T-1")],
        ),
        (
            ["shelve alarm=link-down minutes=30 reason=x"],
            "unshelve alarm=link-down",
            [AlarmUnshelved(alarm="link-down", reason="asked", technician="T-1")],
        ),
        ([], "silence", []),
        ([], "lamp-test", []),
    ],
)
def test_what_is_carried_out_is_told_whole(signed_in, before, asked, told):
    """Nothing beside these events, in this order; the outcome points to the last, or nowhere if none is."""
    signed_in.do(*before)
    decision = signed_in.tick(asked)
    assert list(decision.events) == told
    outcome = decision.outcomes[0]
    assert (outcome.accepted, outcome.reasons) == (True, ())
    assert outcome.event_index == (len(told) - 1 if told else None)


@pytest.mark.parametrize(
    ("before", "asked", "refused"),
    [
        (
            [UNIT],
            "start step=solder",
            StepRefused(
                unit="U-1",
                step="solder",
                reasons=["extraction-not-proven"],
                request="start",
                technician="T-1",
            ),
        ),
        (
            [],
            "start step=intake",
            StepRefused(unit=None, step="intake", reasons=["no-unit"], technician="T-1"),
        ),
        (
            [UNIT],
            "start step=polish",
            StepRefused(unit="U-1", step="polish", reasons=["unknown-step"], technician="T-1"),
        ),
        (
            [UNIT],
            "start step=intake unit=U-9",
            StepRefused(unit="U-9", step="intake", reasons=["unknown-unit"], technician="T-1"),
        ),
        (
            [UNIT, "start step=frame-off"],
            "finish step=frame-off result=pass",
            StepRefused(
                unit="U-1", step="frame-off", reasons=["soak-unfinished"], request="finish", technician="T-1"
            ),
        ),
        *[
            (before, asked, RequestRefused(request=asked, reasons=reasons, technician="T-1"))
            for before, asked, reasons in [
                ([UNIT, "start step=intake"], "book-in unit=U-2 model=m", ["step-running"]),
                ([UNIT, "start step=intake"], "book-in unit=U-1 model=m", ["already-known", "step-running"]),
                ([UNIT, "start step=intake"], "resume", ["no-held-step"]),
                ([], "reset alarm=nonsense", ["unknown-alarm"]),
                ([], "unshelve alarm=nonsense", ["unknown-alarm"]),
                ([], "shelve alarm=nonsense minutes=5 reason=x", ["unknown-alarm"]),
                ([], "shelve alarm=link-down minutes=241 reason=x", ["shelved-too-long"]),
                (
                    ["shelve alarm=link-down minutes=5 reason=x"],
                    "shelve alarm=link-down minutes=5 reason=y",
                    ["alarm-aside"],
                ),
            ]
        ],
    ],
)
def test_what_is_refused_is_told_whole(signed_in, before, asked, refused):
    """One event, with the step and unit it was about or the request's text; nothing else happens."""
    signed_in.do(*before)
    decision = signed_in.tick(asked)
    assert list(decision.events) == [refused]
    assert decision.outcomes[0] == (False, tuple(refused.reasons), 0)


@pytest.mark.parametrize(
    ("before", "step", "values"),
    [
        ([], "intake", {}),
        ([], "frame-off", {"setpoint_c": 100.0, "tolerance_c": 5.0, "soak_min": 5.0}),
        ([], "separate", {"setpoint_c": 100.0, "tolerance_c": 5.0}),
        ([], "bond", {"open_time_min": 5.0}),
        (["start step=bond", "finish step=bond result=pass"], "cure", {"cure_h": 24.0}),
    ],
)
def test_a_start_records_the_limits_it_was_made_under(signed_in, before, step, values):
    """A sheet may change tomorrow: what held for this attempt stands in its own event, and only what held."""
    signed_in.do(UNIT, "place", *before)
    (body,) = signed_in.tick(f"start step={step}").events
    assert body == StepStarted(
        unit="U-1",
        step=step,
        attempt=1,
        work=default_sheet().find(step).kind,
        values=values,
        technician="T-1",
    )


def test_a_start_on_another_unit_takes_it_and_lays_it_on_the_plate(signed_in):
    """Three events, all of them the technician's doing."""
    signed_in.do(UNIT, "book-in unit=U-2 model=m")
    taken, placed, started = signed_in.tick("start step=frame-off unit=U-1").events
    assert taken == UnitTaken(unit="U-1", technician="T-1")
    assert placed == UnitPlaced(unit="U-1", technician="T-1")
    assert (started.unit, started.technician, started.warnings) == ("U-1", "T-1", [])


@pytest.mark.parametrize(
    ("uncertainty_c", "warnings"),
    [(None, []), (5.0, []), (5.01, ["tolerance-below-uncertainty"])],
)
def test_a_tolerance_tighter_than_the_reading_is_sure_is_warned_of_in_the_start(
    bench, uncertainty_c, warnings
):
    """5 °C of tolerance against the expanded uncertainty of the reading."""
    bench.book = Book(Limits(), default_sheet(), uncertainty_c)
    bench.do(UNIT, "place")
    (started,) = bench.tick("start step=frame-off").events
    assert started.warnings == warnings


def test_a_finished_heat_step_tells_how_long_it_took_and_soaked(signed_in):
    """Started at 100 °C and asked 400.0 s later: the first tick in the band reaches it, the rest soaks."""
    signed_in.run(1.0, plate_c=100.0)
    signed_in.do(UNIT, "start step=frame-off")
    started_ms = signed_in.now_ms
    signed_in.run(399.9)
    (finished,) = signed_in.tick("finish step=frame-off result=pass").events
    assert (signed_in.now_ms - started_ms) / 1000 == 400.0
    assert set(finished.values) == {"duration_s", "soak_s"}
    assert finished.values["duration_s"] == 400.0
    assert finished.values["soak_s"] == pytest.approx(400.0, abs=0.25)


def test_the_length_of_a_step_that_nobody_can_tell_is_left_out(signed_in):
    """A restart without a clock lies between its start and its end."""
    signed_in.do(UNIT, "start step=intake")
    signed_in.restart()
    (abandoned,) = signed_in.tick("abandon reason=x").events
    assert abandoned == StepAbandoned(unit="U-1", step="intake", reason="x", technician="T-1")


def test_a_resumed_step_is_told_with_its_unit_and_step(signed_in):
    """The restart held it; nothing stands against going on."""
    signed_in.do(UNIT, "start step=intake")
    signed_in.restart()
    decision = signed_in.tick("resume")
    assert list(decision.events) == [StepResumed(unit="U-1", step="intake", technician="T-1")]


def on_tick(bench: HandBench, heat: HeatWatch) -> Tick:
    """A tick of the bench's own state with such clocks of a heat step."""
    watch = msgspec.structs.replace(bench.state.watch, heat=heat)
    state = msgspec.structs.replace(bench.state, watch=watch)
    return Tick(bench.book, state, bench.reading(), Moment(bench.boot, bench.now_ms + 100))


def test_a_step_begins_with_its_clocks_at_rest(bench):
    """Whatever was soaked before is not this step's."""
    bench.do(UNIT, "place")
    tick = on_tick(bench, SOAKED)
    assert carry_out(tick, parse_text("start step=separate")).accepted
    assert tick.watch.heat == HeatWatch()


@pytest.mark.parametrize(
    "asked",
    ["finish step=frame-off result=pass", "abandon reason=x"],
)
def test_a_step_ends_with_its_clocks_told_and_at_rest(bench, asked):
    """The soak goes into the event, and into no other step's."""
    bench.do(UNIT, "start step=frame-off")
    tick = on_tick(bench, SOAKED)
    assert carry_out(tick, parse_text(asked)).accepted
    assert tick.events[-1].values == {"duration_s": 0.1, "soak_s": 300.0}
    assert tick.watch.heat == HeatWatch()


@pytest.mark.parametrize("after_soldering", [["start step=clean", "finish step=clean result=pass"], []])
def test_the_run_on_of_soldering_outlives_the_next_step(bench, after_soldering):
    """Two minutes of run-on are owed by the iron, whatever is done meanwhile."""
    bench.prove()
    bench.do(UNIT, "start step=solder", "finish step=solder result=pass", *after_soldering)
    bench.run(2.0, amps=STILL_A)
    assert "run-on-short" in bench.raised()


def test_no_run_on_is_owed_after_work_without_the_iron(bench):
    """The extractor ran, nobody soldered: it may be switched off at once."""
    bench.prove()
    bench.do(UNIT, "start step=clean", "finish step=clean result=pass")
    bench.run(2.0, amps=STILL_A)
    assert "run-on-short" not in bench.raised()


LINK_AND_JOURNAL = Health(link_ok=False, journal_ok=False)


def test_acknowledging_one_alarm_leaves_the_others_waiting(bench):
    """Who has seen one has not seen all."""
    bench.run(70.0, health=LINK_AND_JOURNAL)
    bench.do("ack alarm=link-down")
    states = {name: life.state for name, life in bench.durable.alarms.items()}
    assert states == {"journal-failing": "unacknowledged", "link-down": "acknowledged"}


def test_resetting_one_alarm_leaves_another_latched(bench):
    """A plate that was over its limit is reset by its name or by a reset of all, not by another's."""
    bench.run(70.0, health=Health(link_ok=False))
    bench.run(2.0, plate_c=135.0)
    bench.do("ack")
    bench.run(10.0, plate_c=90.0)
    assert bench.durable.alarms["plate-over-limit"].state == "latched-acknowledged"
    assert bench.ask("reset alarm=link-down") == ("nothing-to-reset",)
    assert bench.durable.alarms["plate-over-limit"].state == "latched-acknowledged"
    bench.do("reset alarm=plate-over-limit")
    assert "plate-over-limit" not in bench.durable.alarms


def test_a_reset_is_refused_for_what_latches_and_for_nothing_else(bench):
    """An alarm that goes by itself needs none; one that latches says why it cannot be reset yet."""
    bench.run(70.0, health=Health(link_ok=False))
    assert bench.ask("reset") == ("nothing-to-reset",)
    bench.run(2.0, plate_c=135.0)
    assert list(bench.durable.alarms) == ["link-down", "plate-over-limit"]
    assert bench.ask("reset") == ("cause-standing", "alarm-unacknowledged")
    bench.do("ack")
    assert bench.ask("reset") == ("cause-standing",)
    bench.run(10.0, plate_c=90.0)
    bench.run(2.0, plate_c=135.0)
    bench.run(10.0, plate_c=90.0)
    assert bench.ask("reset") == ("alarm-unacknowledged",)


def test_an_alarm_goes_out_of_service_and_back_under_the_name_that_authorised_it(led):
    """Told with who authorised it, whose word it was and why; twice is refused."""
    out = "out-of-service alarm=link-down reason='no network here' by=S-1"
    decision = led.tick(out)
    assert list(decision.events) == [
        AlarmOutOfService(alarm="link-down", reason="no network here", by="S-1", technician="S-1")
    ]
    assert decision.outcomes[0] == (True, (), 0)
    assert led.durable.alarms["link-down"].state == "out-of-service"
    assert led.ask(out) == ("already-out-of-service",)
    decision = led.tick("in-service alarm=link-down by=S-1")
    assert list(decision.events) == [AlarmInService(alarm="link-down", by="S-1", technician="S-1")]
    assert decision.outcomes[0] == (True, (), 0)
    assert led.durable.alarms == {}
    assert led.ask("in-service alarm=link-down by=S-1") == ("not-out-of-service",)


@pytest.mark.parametrize(
    "asked", ["out-of-service alarm=link-down reason=x by=T-1", "in-service alarm=link-down by=T-1"]
)
def test_who_is_not_named_in_the_settings_takes_nothing_out_of_service(led, asked):
    """Nor puts it back."""
    assert led.ask(asked) == ("not-authorised",)


def test_a_lamp_test_is_refused_while_an_alarm_waits(bench):
    """What the light says to somebody who has not seen it is more than a test."""
    bench.do("lamp-test")
    assert bench.state.watch.lamp_test_ms == bench.now_ms
    bench.run(70.0, health=Health(link_ok=False))
    tested_ms = bench.state.watch.lamp_test_ms
    assert bench.ask("lamp-test") == ("alarm-unacknowledged",)
    assert bench.state.watch.lamp_test_ms == tested_ms
    bench.do("ack", "lamp-test")
    assert bench.state.watch.lamp_test_ms == bench.now_ms


def test_a_signed_review_is_told_with_period_head_and_name(signed_in):
    """The lead signs, whoever is at the bench."""
    head = "0123456789abcdef" * 4
    decision = signed_in.tick(f"sign-review period=2026-03-02/2026-03-08 head={head} by=S-1")
    assert list(decision.events) == [
        ReviewSigned(period="2026-03-02/2026-03-08", head=head, technician="S-1")
    ]


@pytest.mark.parametrize(
    ("told_ml", "values"),
    [
        (["0.3"], [(0.3, 0.0)]),
        (["0.5"], [(0.5, 0.0)]),
        (["0.8"], [(0.8, 0.3)]),
        (["0.3", "0.8"], [(0.3, 0.0), (0.8, 0.6)]),
        (["0.3", "0.1", "0.4"], [(0.3, 0.0), (0.1, 0.0), (0.4, 0.3)]),
        (["2", "2"], [(2.0, 1.5), (2.0, 2.0)]),
        (["1.23456789"], [(1.23456789, 0.734568)]),
    ],
)
def test_what_was_drawn_is_told_beside_what_was_not_counted_yet(signed_in, told_ml, values):
    """A lift has counted as 0.5 mL; of what is told only the rest is added, to a millionth of one."""
    signed_in.run(0.5, out=True)
    for ml, (whole_ml, added_ml) in zip(told_ml, values, strict=True):
        decision = signed_in.tick(f"dispense ml={ml}")
        assert list(decision.events) == [
            SolventDispensed(values={"ml": whole_ml, "added_ml": added_ml}, technician="T-1")
        ]
