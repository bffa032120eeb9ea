"""What one tick makes of a start, a gap, a shelf whose time is up, and an alarm that is left standing.

The states and moves are those of ISA-18.2 / IEC 62682; the delays are the limits' defaults.
"""

from itertools import pairwise

import pytest
from hand_bench import RUNNING_A, STILL_A
from msgspec.structs import replace

from shared.events import StationStarted
from shared.timeline import Moment
from station.rules.decide import Remembered, begin
from station.rules.extraction import forget_extraction
from station.rules.limits import AlarmLimits, Limits, SolventLimits
from station.rules.state import AlarmLife, Durable, ExtractionWatch, Life, Timer
from station.rules.vapour import Air, VapourWatch

# ---- a start


def test_start_hands_on_what_the_record_remembers(bench):
    """Hot time by unit and the vapour estimate come from the journal; the station begins with them."""
    vapour = VapourWatch(Air(10.0, 20.0))
    started = StationStarted(station="bench-1", version="test", sheet="test", settings=None)
    begun = begin(Durable(), Moment("b", 0), started, bench.book, Remembered({"U-1": 2_000}, vapour))
    assert begun.state.watch.hot_ms == {"U-1": 2_000}
    assert begun.state.watch.vapour == vapour
    assert begin(Durable(), Moment("b", 0), started, bench.book).state.watch.vapour == VapourWatch()


def test_budget_spent_before_a_restart_stays_spent(bench):
    """59 min and 59 s hot before, a few seconds more now: the hour is full in all."""
    bench.do("book-in unit=U-1 model=m", "place unit=U-1")
    started = StationStarted(station="bench-1", version="test", sheet="test", settings=None)
    bench.boot, bench.now_ms = "boot-2", 0
    begun = begin(bench.durable, Moment("boot-2", 0), started, bench.book, Remembered({"U-1": 3_599_000}))
    bench.state = begun.state
    bench.run(3.0, plate_c=90.0)
    assert "heat-budget-spent" in bench.raised()


def test_start_tells_which_settings_and_which_step_it_found(bench):
    """The fingerprint of the new settings, and the step that is held until somebody resumes it."""
    bench.restart("b-1", settings="one")
    bench.do("book-in unit=U-1 model=m", "start step=intake")
    _, changed, held = bench.restart("b-2", settings="two")
    assert changed.digest == "two"
    assert (held.unit, held.step, held.alarm) == ("U-1", "intake", "station-restart")


def test_cause_that_holds_a_step_already_held_by_a_restart_bars_the_way_too(bench):
    """A restart holds the step first; what comes then must be gone and acknowledged as well."""
    bench.do("book-in unit=U-1 model=m", "start step=frame-off")
    bench.run(1.0)
    bench.restart()
    bench.run(2.0)
    bench.run(1.0, plate_c=None)
    assert bench.durable.run.held_by == ("station-restart", "plate-sensor-fault")
    assert bench.ask("resume")[:2] == ("cause-standing", "alarm-unacknowledged")
    bench.run(2.0, plate_c=25.0)
    assert bench.ask("resume") == ("alarm-unacknowledged",)
    bench.do("ack", "resume")


def test_soak_that_the_record_shows_is_gone_on_with(bench):
    """A panel that soaked for four minutes before a restart has them: nobody heats it twice."""
    bench.do("book-in unit=U-1 model=m", "start step=frame-off")
    bench.run(1.0, plate_c=100.0)
    bench.restart(known=Remembered(soak_ms=240_000))
    bench.tick()
    assert bench.state.watch.heat.soak_ms == 240_000


# ---- what goes on record of the wires


@pytest.mark.parametrize(
    ("lost_a", "reason", "values"),
    [(0.123456, "low-current", {"extraction_a": 0.123}), (None, "unreadable", {})],
)
def test_record_says_the_current_at_which_proof_came_and_went(bench, lost_a, reason, values):
    """In amperes, to the milliampere; what could not be read is no number."""
    bench.run(6.0, amps=0.456789)
    bench.run(2.0, amps=lost_a)
    assert [event["values"] for event in bench.told("extraction-proven")] == [{"extraction_a": 0.457}]
    assert [(event["reason"], event.get("values", {})) for event in bench.told("extraction-lost")] == [
        (reason, values)
    ]


def test_record_says_how_much_a_lift_counts_as(make_bench):
    """The estimate's own figure, so that the record can be judged by it."""
    bench = make_bench(Limits(solvent=SolventLimits(dose_ml=0.7)))
    bench.run(1.0, out=True)
    assert [event["values"] for event in bench.told("solvent-lifted")] == [{"ml": 0.7}]


def test_vapour_goes_faster_with_proven_extraction(make_bench):
    """The same lift, with the extractor running and without: after ten minutes the air differs."""
    left = []
    for amps in (RUNNING_A, STILL_A):
        bench = make_bench()
        bench.run(6.0, amps=amps)
        bench.run(1.0, out=True)
        bench.run(600.0, out=False)
        left.append(bench.state.watch.vapour.air.vapour_ppm)
    assert left[0] < left[1] / 2


# ---- a gap between two ticks


def test_gap_loses_the_proof_and_begins_its_time_anew(bench):
    """Nobody knows what the fan did meanwhile: 5 s of running prove it again."""
    bench.prove()
    bench.run(2.0)
    bench.tick(after_ms=20_000)
    (lost,) = bench.told("extraction-lost")
    assert lost["reason"] == "gap"
    assert bench.state.watch.extraction.since_ms == bench.now_ms
    bench.run(4.9)
    assert not bench.state.watch.extraction.proven
    bench.run(0.2)
    assert bench.state.watch.extraction.proven


def test_gap_loses_nothing_that_was_not_there(bench):
    """Without proof before there is no loss to tell."""
    bench.run(1.0)
    bench.tick(after_ms=20_000)
    assert bench.told("extraction-lost") == []


def test_gap_begins_every_delay_anew_and_keeps_what_stands(bench):
    """A plate 8 s outside its band before a gap needs its 10 s again; what stood goes on standing."""
    bench.do("book-in unit=U-1 model=m", "start step=frame-off")
    bench.run(15.0, plate_c=100.0)
    bench.run(8.0, plate_c=106.0)
    bench.tick(after_ms=20_000)
    bench.run(5.0)
    assert "plate-high" not in bench.raised()
    bench.run(5.0)
    assert "plate-high" in bench.raised()
    bench.tick(after_ms=20_000)
    bench.run(1.0)
    assert bench.raised().count("plate-high") == 1
    assert bench.told("alarm-returned") == []


def test_gap_is_no_soak(bench):
    """Neither the gap itself nor the tick after it counts: what the plate did is not known."""
    bench.do("book-in unit=U-1 model=m", "start step=frame-off")
    bench.run(10.0, plate_c=100.0)
    before_ms = bench.state.watch.heat.soak_ms
    bench.tick(after_ms=30_000)
    assert bench.state.watch.heat.soak_ms == before_ms
    bench.run(2.0)
    assert before_ms + 1_800 <= bench.state.watch.heat.soak_ms <= before_ms + 2_000


# ---- a shelf whose time is up


@pytest.mark.parametrize(("minutes", "back_s"), [(1, 60.0), (2, 120.0)])
def test_shelf_ends_with_its_last_minute(bench, minutes, back_s):
    """To the tick: not before its time, and not a tick after it."""
    bench.run(3.0, plate_c=None)
    bench.do("ack", f"shelve alarm=plate-sensor-fault minutes={minutes} by=T-1 reason=plug")
    shelved_ms = bench.now_ms
    bench.run(back_s - 0.1)
    assert bench.told("alarm-unshelved") == []
    bench.tick()
    (back,) = bench.told("alarm-unshelved")
    assert (back["ms"] - shelved_ms, back["reason"]) == (back_s * 1000, "time is up")


def test_shelf_of_an_earlier_boot_is_over(bench):
    """How long the station was off cannot be told by its clock: what was put aside counts again."""
    bench.run(3.0, plate_c=None)
    bench.do("ack", "shelve alarm=plate-sensor-fault minutes=60 by=T-1 reason=plug")
    bench.restart()
    bench.tick()
    assert [event["reason"] for event in bench.told("alarm-unshelved")] == ["time is up"]


# ---- an acknowledged alarm that is left standing


def standing(make_bench, alarm, since, **limits):
    """A bench on which an alarm was acknowledged a while ago and still stands."""
    bench = make_bench(limits=Limits(alarms=AlarmLimits(**limits)))
    bench.tick()
    durable = replace(bench.durable, alarms={alarm: AlarmLife(Life.ACKNOWLEDGED, since)})
    watch = replace(bench.state.watch, timers={alarm: Timer(standing=True)})
    bench.state = replace(bench.state, durable=durable, watch=watch)
    return bench


@pytest.mark.parametrize(
    ("alarm", "wires", "after_min"),
    [
        ("plate-over-limit", {"plate_c": 135.0}, 2),
        ("plate-sensor-fault", {"plate_c": None}, 2),
        ("plate-left-hot", {"plate_c": 90.0}, 3),
    ],
)
def test_alarm_left_standing_comes_again_after_its_priority_s_time(make_bench, alarm, wires, after_min):
    """Critical and high by the one setting, lower ones by the other; to the tick."""
    bench = standing(make_bench, alarm, Moment("boot-1", 100), realarm_urgent_min=2.0, realarm_other_min=3.0)
    for name, value in wires.items():
        setattr(bench, name, value)
    bench.run(after_min * 60 - 0.1)
    assert bench.told("alarm-raised") == []
    bench.tick()
    (again,) = [event["ms"] for event in bench.told("alarm-raised") if event["alarm"] == alarm]
    assert again == after_min * 60_000 + 100


def test_acknowledgement_of_an_earlier_boot_is_as_old_as_this_one_at_least(make_bench):
    """Its time on another clock says nothing; the alarm comes again when this boot is old enough."""
    bench = standing(make_bench, "plate-sensor-fault", Moment("boot-0", 999_999_999), realarm_urgent_min=2.0)
    bench.plate_c = None
    bench.run(119.8)
    assert bench.told("alarm-raised") == []
    bench.tick()
    assert bench.now_ms == 120_000
    assert [event["ms"] for event in bench.told("alarm-raised")] == [120_000]


def test_forgotten_proof_has_no_loss_to_tell_when_there_was_none() -> None:
    """Only what was proven can be lost."""
    assert forget_extraction(ExtractionWatch()) == (ExtractionWatch(), None)
    assert forget_extraction(ExtractionWatch(proven=True, since_ms=7_000)) == (ExtractionWatch(), "gap")


# ---- what every tick drives


def test_heartbeat_turns_over_at_every_tick(bench):
    """What holds the relay is change: no level may stand for two ticks, requests and gaps or not."""
    beats = [bench.tick().levels.heartbeat for _ in range(20)]
    beats.append(bench.tick("ack").levels.heartbeat)
    beats.append(bench.tick(after_ms=20_000).levels.heartbeat)
    assert all(type(beat) is bool for beat in beats)
    assert all(first != second for first, second in pairwise(beats))


def test_green_follows_the_permit_of_its_own_tick(bench):
    """The lamp says that the iron may be used in the same tick in which it may."""
    bench.prove()
    assert bench.decision.levels.permit
    assert bench.decision.indication.green == "steady"
    bench.run(0.6, amps=0.01)
    assert not bench.decision.levels.permit
    assert bench.decision.indication.green == "off"


# ---- time between ticks


@pytest.mark.parametrize(("after_ms", "lost"), [(2_000, []), (2_001, ["gap"])])
def test_gap_is_longer_than_its_limit(make_bench, after_ms, lost):
    """Two seconds without a tick are late, a millisecond more is a gap."""
    bench = make_bench(limits=Limits(gap_s=2.0))
    bench.prove()
    bench.tick(after_ms=after_ms)
    assert [event["reason"] for event in bench.told("extraction-lost")] == lost


def test_first_tick_has_no_time_behind_it(bench):
    """Nothing is counted for the time before the station looked: no soak, no hot time, no bad time."""
    bench.do("book-in unit=U-1 model=m", "start step=frame-off")
    bench.plate_c = 100.0
    bench.restart()
    bench.tick()
    assert bench.state.watch.hot_ms.get("U-1", 0) == 0
    assert bench.state.watch.heat.soak_ms == 0
    bench.tick(after_ms=20_000)
    assert bench.state.watch.hot_ms.get("U-1", 0) == 0
    bench.tick()
    assert bench.state.watch.hot_ms["U-1"] == 100


def test_setpoint_is_reached_once_on_the_way_and_from_within(bench):
    """A plate that comes into the band reaches it; one that was there when the step began does at once."""
    bench.run(1.0, plate_c=98.0)
    bench.do("book-in unit=U-1 model=m", "start step=frame-off")
    bench.run(5.0)
    assert len(bench.told("plate-at-setpoint")) == 1


def test_setpoint_is_told_with_unit_step_and_plate(bench):
    """To the hundredth of a degree, as far as the wire carries it."""
    bench.do("book-in unit=U-1 model=m", "start step=frame-off")
    bench.run(1.0, plate_c=98.12345)
    (told,) = bench.told("plate-at-setpoint")
    assert (told["unit"], told["step"], told["values"]) == ("U-1", "frame-off", {"plate_c": 98.12})


def test_setpoint_is_reached_by_a_plate_that_goes_through_it_between_two_ticks(bench):
    """From 94 °C to 107 °C in one tick: below the band, then above it, and the setpoint lay between."""
    bench.run(1.0, plate_c=94.0)
    bench.do("book-in unit=U-1 model=m", "start step=frame-off")
    bench.run(1.0)
    assert bench.told("plate-at-setpoint") == []
    bench.run(0.5, plate_c=107.0)
    assert len(bench.told("plate-at-setpoint")) == 1


def test_plate_that_falls_while_it_heats_is_a_fault_of_its_leads(bench):
    """Swapped leads: it falls below its own cold end though the heat step runs."""
    bench.run(1.0, plate_c=25.0)
    bench.do("book-in unit=U-1 model=m", "start step=frame-off")
    bench.run(2.0)
    bench.run(3.0, plate_c=10.0)
    assert bench.state.watch.plate.quality == "mirrored-leads"
    assert "plate-sensor-fault" in bench.raised()


def test_panel_is_taken_to_come_as_warm_as_the_station_s_cold_end(bench):
    """24 °C, not the plate's 60 °C: a panel laid on a warm plate is cold."""
    bench.run(1.0, plate_c=60.0)
    bench.do("book-in unit=U-1 model=m", "place unit=U-1")
    bench.tick()
    assert shown_panel_c(bench) == pytest.approx(24.0, abs=0.5)


def shown_panel_c(bench):
    """The estimate of the panel."""
    return bench.state.watch.warming.panel.panel_c


def test_suppressed_alarm_says_which_other_tells_its_trouble(bench):
    """The one row that is suppressed by design names the row that stands for it."""
    bench.do("dispense ml=30")
    bench.run(30.0, plate_c=95.0, out=True)
    (suppressed,) = bench.told("alarm-suppressed")
    assert (suppressed["alarm"], suppressed["reason"]) == ("vapour-high", "vapour-critical")


# ---- a delay


def warm(bench):
    """A heat step at its setpoint, then a little under the band's upper edge."""
    bench.do("book-in unit=U-1 model=m", "start step=frame-off")
    bench.run(1.0, plate_c=100.0)
    bench.run(1.0, plate_c=103.0)


def test_cause_that_goes_away_has_its_whole_delay_before_it_again(bench):
    """Ten seconds above the band in one piece: nine, a second below, nine more are none."""
    warm(bench)
    bench.run(9.0, plate_c=105.5)
    bench.run(1.0, plate_c=103.0)
    bench.run(9.0, plate_c=105.5)
    assert "plate-high" not in bench.raised()
    bench.run(1.5)
    assert "plate-high" in bench.raised()


def test_time_of_which_nothing_is_known_counts_neither_for_a_cause_nor_against(bench):
    """Six seconds above the band, three ticks unread, four seconds more: raised after ten that were seen."""
    warm(bench)
    begun_ms = bench.now_ms + 200  # the median follows a tick late
    bench.run(6.0, plate_c=105.5)
    bench.run(0.3, plate_c=None)
    bench.run(6.0, plate_c=105.5)
    (raised,) = [event for event in bench.told("alarm-raised") if event["alarm"] == "plate-high"]
    assert raised["ms"] - begun_ms == pytest.approx(10_300, abs=100)


def test_hold_is_told_with_unit_step_and_alarm_and_the_lost_permit_with_its_reasons(bench):
    """What the record needs to be understood."""
    bench.prove()
    bench.do("book-in unit=U-1 model=m", "start step=solder")
    bench.run(1.0, amps=0.0)
    (held,) = bench.told("step-held")
    assert (held["unit"], held["step"], held["alarm"]) == ("U-1", "solder", "extraction-lost")
    (dropped,) = bench.told("permit-dropped")
    assert "extraction-not-proven" in dropped["reasons"]


def test_soak_waits_until_a_plate_that_strayed_is_well_inside_its_band(bench):
    """The alarm returns at 104.5 °C; at 104.8 the plate is in its band and the soak still stands."""
    warm(bench)
    bench.run(11.0, plate_c=105.5)
    assert "plate-high" in bench.raised()
    bench.run(1.0, plate_c=104.8)
    stood_ms = bench.state.watch.heat.soak_ms
    bench.run(5.0)
    assert bench.state.watch.heat.soak_ms == stood_ms
    bench.run(10.0, plate_c=104.0)
    assert bench.state.watch.heat.soak_ms > stood_ms


# ---- what the bench shows


def lit(bench):
    """The lamps that are on or flash."""
    shown = bench.decision.indication
    return {name: str(getattr(shown, name)) for name in ("red", "amber", "green", "blue")}


def test_lamp_test_lights_everything_for_its_time_and_not_a_tick_longer(bench):
    """Three seconds from the tick that was asked."""
    bench.run(30.0)
    bench.do("lamp-test")
    assert set(lit(bench).values()) == {"steady"}
    bench.run(2.9)
    assert set(lit(bench).values()) == {"steady"}
    bench.tick()
    assert set(lit(bench).values()) != {"steady"}


def test_refusal_is_heard_for_its_time_and_not_a_tick_longer(bench):
    """Six tenths of a second."""
    bench.run(30.0)
    assert bench.ask("start step=solder") != ()
    assert bench.decision.indication.sound == "refused"
    bench.run(0.5)
    assert bench.decision.indication.sound == "refused"
    bench.tick()
    assert bench.decision.indication.sound == "none"


def test_held_step_shows_amber_and_blue_once_it_can_go_on(bench):
    """While what holds it stands, blue would lie: it flashes for the acknowledgement, then waits."""
    bench.prove()
    bench.do("book-in unit=U-1 model=m", "start step=solder")
    assert lit(bench)["blue"] == "off"
    bench.run(1.0, amps=0.0)
    assert lit(bench)["blue"] == "slow"
    bench.do("ack alarm=extraction-lost")
    assert lit(bench)["blue"] == "off"
    bench.run(6.0, amps=RUNNING_A)
    assert lit(bench)["blue"] == "steady"
    assert (lit(bench)["amber"], lit(bench)["green"]) == ("steady", "off")
    bench.do("resume")
    assert (lit(bench)["amber"], lit(bench)["blue"], lit(bench)["green"]) == ("off", "off", "steady")
