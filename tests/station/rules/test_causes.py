"""Every cause of the table: raised at its delay and no tick sooner, gone when its cause is gone.

Limits and delays are the contract's defaults; where no standard gives a figure, common practice, no source.
"""

import random

import pytest
from hand_bench import RUNNING_A, HandBench

from shared.readings import Health
from shared.sheet import parse_sheet
from station.rules.causes import CAUSES, Effect
from station.rules.limits import ExtractionLimits, Limits

WELL = Health(journal_ok=True, link_ok=True, clock_ok=True, calibration_ok=True)
HEAT = ("book-in unit=U-1 model=m", "start step=frame-off")


def in_heat_step(bench):
    """A heat step at its setpoint."""
    bench.do(*HEAT)
    bench.run(1.0, plate_c=100.0)


def warm_heat_step(bench):
    """The same, towards the upper edge of the band."""
    in_heat_step(bench)
    bench.run(1.0, plate_c=103.0)


def cool_heat_step(bench):
    """The same, towards the lower edge of the band."""
    in_heat_step(bench)
    bench.run(1.0, plate_c=97.0)


def in_solder_step(bench):
    """A solder step under proven extraction."""
    bench.prove()
    bench.do("book-in unit=U-1 model=m", "start step=solder")


def hot(bench):
    """A hot plate and proven extraction, nothing running."""
    bench.prove()
    bench.run(1.0, plate_c=90.0)


def bonding(bench):
    """A bond step just begun."""
    bench.do("book-in unit=U-1 model=m", "start step=bond")


def soldered(bench):
    """A solder step just ended."""
    in_solder_step(bench)
    bench.do("finish step=solder result=pass")


def heating(bench):
    """A heat step with a plate that stays where it is."""
    bench.do(*HEAT)


def nothing(bench):
    """A bench at rest."""


# alarm, what comes before, the wires that cause it, seconds until it is raised, the wires that end it
ROWS = [
    ("plate-sensor-fault", nothing, {"plate_c": None}, 0.5, {"plate_c": 25.0}),
    ("plate-over-limit", nothing, {"plate_c": 130.0}, 1.0, {"plate_c": 126.0}),
    ("plate-high", warm_heat_step, {"plate_c": 105.1}, 10.0, {"plate_c": 104.5}),
    ("plate-low", cool_heat_step, {"plate_c": 94.9}, 10.0, {"plate_c": 95.5}),
    ("plate-not-heating", heating, {"plate_c": 26.0}, 180.0, {"plate_c": 30.0}),
    ("plate-left-hot", nothing, {"plate_c": 50.0}, 1200.0, {"plate_c": 49.0}),
    ("extraction-lost", in_solder_step, {"amps": 0.0}, 0.5, {"amps": 0.42}),
    ("extraction-sensor-fault", nothing, {"amps": None}, 0.5, {"amps": 0.0}),
    ("run-on-short", soldered, {"amps": 0.0}, 0.5, {"amps": 0.42}),
    ("solvent-near-heat", hot, {"out": True}, 1.0, {"out": False}),
    ("solvent-unextracted", nothing, {"plate_c": 40.0, "out": True}, 1.0, {"out": False}),
    ("solvent-at-iron", in_solder_step, {"out": True}, 0.0, {"out": False}),
    ("solvent-left-out", nothing, {"out": True}, 600.0, {"out": False}),
    ("journal-failing", nothing, {"health": Health(journal_ok=False)}, 5.0, {"health": WELL}),
    ("link-down", nothing, {"health": Health(link_ok=False)}, 60.0, {"health": WELL}),
    ("calibration-due", nothing, {"health": Health(calibration_ok=False)}, 0.0, {"health": WELL}),
    ("clock-untrusted", nothing, {"health": Health(clock_ok=False)}, 0.0, {"health": WELL}),
]  # fmt: skip


def test_every_row_of_the_table_is_tested_here():
    """No cause without a test: those that the clock or a request causes have their own below."""
    others = {"open-time-expired", "extraction-weak", "heat-budget-spent"}
    vapour = {"vapour-high", "vapour-critical", "exposure-short-term"}
    assert {row[0] for row in ROWS} | others | vapour == {cause.alarm for cause in CAUSES}


@pytest.mark.parametrize(("alarm", "before", "wires", "delay_s", "end"), ROWS, ids=[row[0] for row in ROWS])
def test_cause_is_raised_at_its_delay_and_returns_when_gone(bench, alarm, before, wires, delay_s, end):
    """From the first tick of the cause to the tick of the alarm; then away again, and closed by ack."""
    before(bench)
    start_ms = bench.now_ms + 100
    bench.run(delay_s + 0.5, **wires)
    raised = [event for event in bench.told("alarm-raised") if event["alarm"] == alarm]
    # After a step of the plate the median of three follows one tick later.
    lag_ms = 100 if alarm in ("plate-high", "plate-low") else 0
    assert [event["ms"] - start_ms for event in raised] == [round(delay_s * 1000) + lag_ms]
    bench.do(f"ack alarm={alarm}")
    assert alarm in bench.durable.alarms
    bench.run(8.0, **end)
    assert [event["alarm"] for event in bench.told("alarm-returned")].count(alarm) == 1


DELAYED = [row for row in ROWS if row[3] > 0]


@pytest.mark.parametrize(
    ("alarm", "before", "wires", "delay_s", "end"), DELAYED, ids=[row[0] for row in DELAYED]
)
def test_cause_that_ends_before_its_delay_raises_nothing(bench, alarm, before, wires, delay_s, end):
    """One tick short of the delay (two where the plate is meant: its median of three lags by one)."""
    before(bench)
    # The first tick of the cause starts the delay, so as many ticks as the delay has end one short of it.
    bench.run(delay_s - (0.1 if "plate_c" in wires else 0), **wires)
    bench.run(8.0, **end)
    assert alarm not in bench.raised()


def test_open_time_expires_with_a_warning_at_four_fifths(bench):
    """Contract: open time 5 min in the default sheet, warned at 80 %."""
    bonding(bench)
    bench.run(239.0)
    assert bench.decision.indication.sound == "none"
    bench.run(2.0)
    assert bench.decision.indication.sound == "medium"
    assert bench.raised() == []
    bench.run(60.0)
    assert bench.raised() == ["open-time-expired"]


def test_over_limit_latches_until_acknowledged_and_reset(bench):
    """Cooling is not enough, acknowledging is not enough, resetting while hot is not possible."""
    bench.prove()
    bench.run(1.5, plate_c=131.0)
    assert set(bench.ask("reset")) == {"cause-standing", "alarm-unacknowledged"}
    bench.run(6.0, plate_c=90.0)
    assert bench.ask("reset alarm=plate-over-limit") == ("alarm-unacknowledged",)
    bench.do("ack")
    assert not bench.decision.levels.permit
    assert bench.ask("start step=intake unit=U-0")[-2:] == ("plate-over-limit", "critical-alarm")
    bench.do("reset")
    assert bench.decision.levels.permit
    assert bench.durable.alarms == {}


def test_extraction_loss_holds_the_step_and_drops_the_permit_in_one_tick(bench):
    """Off-delay plus one tick: loss, alarm, hold and permit in the same decision."""
    in_solder_step(bench)
    start = len(bench.events)
    bench.run(0.6, amps=0.0)
    assert bench.kinds(start) == ["extraction-lost", "alarm-raised", "step-held", "permit-dropped"]
    assert bench.events[start][0] == bench.events[-1][0]


def test_resume_needs_the_cause_gone_and_the_alarm_acknowledged(bench):
    """Neither alone is enough; resume does not follow by itself."""
    in_solder_step(bench)
    bench.run(1.0, amps=0.0)
    assert {"cause-standing", "alarm-unacknowledged", "extraction-not-proven"} <= set(bench.ask("resume"))
    bench.run(6.0, amps=0.42)
    assert bench.ask("resume") == ("alarm-unacknowledged", "critical-alarm")
    assert not bench.decision.levels.permit  # nor has the iron power before somebody has seen it
    bench.do("ack")
    assert bench.durable.run.held_by == ("extraction-lost",)
    bench.do("resume")
    assert bench.durable.run.held_by == ()


def test_a_held_step_does_not_end_well_before_it_is_resumed(bench):
    """It may be failed or abandoned, not passed."""
    in_solder_step(bench)
    bench.run(1.0, amps=0.0)
    assert bench.ask("finish step=solder result=pass") == ("step-held",)
    bench.do("finish step=solder result=fail")


def test_hot_solvent_is_allowed_only_where_the_sheet_says_so(bench):
    """frame-off says solvent hot; separate does not."""
    bench.prove()
    bench.do(*HEAT)
    bench.run(310.0, plate_c=100.0)
    bench.run(5.0, out=True)
    assert "solvent-near-heat" not in bench.raised()
    bench.run(1.0, out=False)
    bench.do("finish step=frame-off result=pass", "start step=separate")
    bench.run(2.0, out=True)
    assert "solvent-near-heat" in bench.raised()


def test_plate_deviation_waits_for_the_setpoint(bench):
    """A plate on its way up is not low."""
    bench.do(*HEAT)
    bench.run(30.0, plate_c=60.0)
    assert "plate-low" not in bench.raised()


def test_a_gap_starts_delays_over_and_forgets_the_proof(bench):
    """More than a second between ticks: what was proven is unknown."""
    in_solder_step(bench)
    bench.tick(after_ms=1100)
    assert [event["reason"] for event in bench.told("extraction-lost")] == ["gap"]
    assert bench.durable.run.held_by == ("extraction-lost",)


def test_shelved_alarm_comes_back_by_itself_and_sounds_again(bench):
    """Time-limited, with a reason; the cause that still stands is raised anew."""
    bench.run(61.0, health=Health(link_ok=False))
    bench.do('shelve alarm=link-down minutes=2 by=T-1 reason="cable on order"')
    assert bench.decision.indication.sound == "none"
    bench.run(119.0)
    assert bench.raised() == ["link-down"]
    bench.run(2.0)
    assert bench.raised() == ["link-down", "link-down"]
    assert bench.told("alarm-unshelved")[0]["reason"] == "time is up"


def test_a_shelved_fault_still_locks(bench):
    """Putting an alarm aside quiets it; it does not make the plate readable."""
    bench.prove()
    bench.run(1.0, plate_c=None)
    bench.do("shelve alarm=plate-sensor-fault minutes=5 by=T-1 reason=test")
    assert not bench.decision.levels.permit
    bench.do("book-in unit=U-1 model=m")
    assert "plate-sensor-fault" in bench.ask("start step=frame-off")


def test_a_critical_alarm_cannot_be_shelved(bench):
    """Nor for longer than the limit, nor one nobody knows."""
    assert bench.ask("shelve alarm=extraction-lost minutes=5 by=T-1 reason=x") == ("critical-not-shelved",)
    assert bench.ask("shelve alarm=plate-high minutes=300 by=T-1 reason=x") == ("shelved-too-long",)
    assert bench.ask("shelve alarm=nonsense minutes=5 by=T-1 reason=x") == ("unknown-alarm",)


@pytest.mark.parametrize(
    ("bad", "good", "raised"), [(4, 1, True), (1, 1, True), (1, 4, False), (4, 16, False)]
)
def test_a_sensor_that_flickers_is_a_fault_when_it_is_bad_too_often(bench, bad, good, raised):
    """Ticks bad and good in turn for a minute: more than a third of them bad does not escape the alarm."""
    for _ in range(600 // (bad + good)):
        bench.run(bad / 10, plate_c=None)
        bench.run(good / 10, plate_c=25.0)
    assert ("plate-sensor-fault" in bench.raised()) is raised


def test_time_of_which_nothing_is_known_does_not_count_as_over_the_limit(bench):
    """Two ticks over the limit, three seconds unreadable, and the second is not over yet."""
    bench.run(1.0, plate_c=127.0)
    bench.run(0.4, plate_c=131.0)
    bench.run(3.0, plate_c=None)
    bench.run(0.4, plate_c=131.0)
    assert "plate-over-limit" not in bench.raised()
    bench.run(1.0)
    assert "plate-over-limit" in bench.raised()


def test_an_alarm_does_not_return_over_readings_that_are_missing(bench):
    """Five seconds inside the band, of which four are unreadable, are one second."""
    warm_heat_step(bench)
    bench.run(11.0, plate_c=106.0)
    bench.run(1.0, plate_c=103.0)
    bench.run(4.0, plate_c=None)
    bench.run(1.0, plate_c=103.0)
    assert "plate-high" not in [event["alarm"] for event in bench.told("alarm-returned")]


def test_run_on_is_not_called_short_after_a_gap(bench):
    """The proof is gone after a gap, but the fan runs on."""
    soldered(bench)
    bench.tick(after_ms=3000)
    bench.run(1.0)
    assert "run-on-short" not in bench.raised()


def test_a_gap_does_not_count_as_time_without_heating(bench):
    """100 s cold, a gap of 100 s, and the window begins anew."""
    heating(bench)
    bench.run(100.0, plate_c=26.0)
    bench.tick(after_ms=100_000)
    bench.run(2.0)
    assert "plate-not-heating" not in bench.raised()


def test_every_critical_row_refuses_every_start_and_drops_the_permit():
    """What the printed table says is what is enforced: no critical alarm without both effects."""
    for cause in CAUSES:
        both = {Effect.REFUSE_ALL, Effect.DROP_PERMIT} <= cause.effects
        assert both is (cause.priority == "critical"), cause.alarm
        refuses = cause.effects & {Effect.REFUSE_ALL, Effect.REFUSE_HEAT_AND_SOLDER, Effect.DROP_PERMIT}
        assert bool(refuses) is bool(cause.reasons), cause.alarm


def test_a_heat_step_over_its_longest_time_asks_to_hurry():
    """A sheet's max_min is never without effect: amber and a sound, and the page shows the limit."""
    sheet = parse_sheet(
        'name = "short"\nversion = "1"\n[[step]]\nkey = "warm"\ntitle = "Warm"\nkind = "heat"\n'
        "setpoint_c = 100\ntolerance_c = 5\nmax_min = 2\n",
        "short.toml",
    )
    bench = HandBench(sheet=sheet)
    bench.do("book-in unit=U-1 model=m", "start step=warm")
    bench.run(119.0, plate_c=100.0)
    assert (bench.decision.indication.sound, bench.decision.indication.amber) == ("none", "steady")
    bench.run(2.0)
    assert (bench.decision.indication.sound, bench.decision.indication.amber) == ("medium", "slow")


@pytest.mark.parametrize("amps", [0.34, 0.46])
def test_extraction_outside_its_learned_band_is_weak_after_its_delay(amps):
    """A clogged filter reads low on a centrifugal blower, high on an axial one (fan motor notes)."""
    learned = Limits(extraction=ExtractionLimits(low_a=0.38, high_a=0.45))
    bench = HandBench(learned)
    bench.prove()
    bench.run(29.9, amps=amps)
    assert "extraction-weak" not in bench.raised()
    bench.run(0.3)
    assert bench.raised() == ["extraction-weak"]
    assert bench.decision.levels.permit
    bench.run(1.0, amps=0.42)
    assert [event["alarm"] for event in bench.told("alarm-returned")] == ["extraction-weak"]


def test_extraction_without_a_learned_band_is_never_weak(bench):
    """No band, no judgement."""
    bench.prove()
    bench.run(60.0, amps=3.0)
    assert bench.raised() == []


def test_a_panel_that_has_been_hot_for_an_hour_in_all_has_spent_its_budget(bench):
    """Contract: 60 min at or above 80 °C, over two placements; the time between them does not count."""
    bench.do("book-in unit=U-1 model=m", "place")
    bench.run(1.0, plate_c=80.0)
    bench.run(1800.0)
    bench.do("remove")
    bench.run(600.0)
    bench.do("place")
    bench.run(1797.0)
    assert "heat-budget-spent" not in bench.raised()
    bench.run(3.0)
    assert [
        event["unit"] for event in bench.told("alarm-raised") if event["alarm"] == "heat-budget-spent"
    ] == ["U-1"]
    bench.do("remove", "book-in unit=U-2 model=m", "place")
    bench.run(1.0)
    assert [event["alarm"] for event in bench.told("alarm-returned")] == ["heat-budget-spent"]


def test_the_budget_is_spent_after_its_last_millisecond_and_not_with_it(bench):
    """Over 60 min, not at them."""
    bench.do("book-in unit=U-1 model=m", "place")
    bench.run(1.0, plate_c=90.0)
    left_ms = 3_600_000 - bench.state.watch.hot_ms["U-1"]
    while left_ms > 0:
        bench.tick(after_ms=min(1000, left_ms))
        left_ms = 3_600_000 - bench.state.watch.hot_ms["U-1"]
    assert left_ms == 0
    assert "heat-budget-spent" not in bench.raised()
    bench.tick(after_ms=1)
    assert "heat-budget-spent" in bench.raised()


def test_a_plate_that_cools_past_the_hot_limit_tells_it_once(bench):
    """3 °C in 6 min, 0.15 °C of noise in quarter degrees: with a deadband each alarm comes once, and goes."""
    chance = random.Random(3)
    bench.run(2.0, plate_c=41.0, out=True)
    for number in range(3600):
        true_c = 41.0 - 3.5 * number / 3600 + chance.gauss(0, 0.15)
        bench.run(0.1, plate_c=round(true_c * 4) / 4)
    bench.run(1.0, plate_c=37.0)
    assert sorted(bench.raised()) == ["solvent-near-heat", "solvent-unextracted"]
    assert sorted(event["alarm"] for event in bench.told("alarm-returned")) == sorted(bench.raised())


def test_nobody_shelves_an_alarm_without_a_name(bench):
    """By whom is part of it: signed in at the bench, or told with the request."""
    text = "shelve alarm=plate-low minutes=5 reason=fixture"
    assert bench.ask(text) == ("not-signed-in",)
    bench.do(f"{text} by=T-2", "unshelve alarm=plate-low", "sign-in technician=T-1", text)
    assert [event["technician"] for event in bench.told("alarm-shelved")] == ["T-2", "T-1"]


def test_silence_stops_the_warning_of_an_open_time_until_the_next_bond(bench):
    """80 % of five minutes: it sounds; silenced it is quiet, the lamp goes on; the next bond warns anew."""
    bench.do("book-in unit=U-1 model=m", "start step=bond")
    bench.run(245.0)
    assert bench.decision.indication.sound == "medium"
    bench.do("silence")
    assert (bench.decision.indication.sound, bench.decision.indication.amber) == ("none", "slow")
    bench.do("finish step=bond result=fail", "start step=bond")
    bench.run(245.0)
    assert bench.decision.indication.sound == "medium"


def test_what_was_drawn_without_extraction_raises_the_vapour_alarms_one_after_the_other(bench):
    """Of 1 L in 50 L: 3.13 mL are the lower explosive limit (mass balance); 2 mL pass 10 and 25 % of it."""
    bench.run(2.0, plate_c=25.0)
    bench.do("dispense ml=2")
    bench.run(60.0)
    assert bench.raised() == ["vapour-high", "vapour-critical"]
    first, then = bench.told("alarm-raised")
    assert (first["values"]["vapour_lel_percent"], then["values"]["vapour_lel_percent"]) == (
        pytest.approx(10, abs=0.2),
        pytest.approx(25, abs=0.2),
    )
    assert bench.durable.alarms["vapour-high"].state == "suppressed"
    assert not bench.decision.levels.permit
    bench.run(240.0, amps=RUNNING_A)
    assert [event["alarm"] for event in bench.told("alarm-returned")] == ["vapour-critical"]
    assert not bench.decision.levels.permit  # nobody has seen it yet
    bench.do("ack alarm=vapour-critical")
    bench.tick()
    assert [event["alarm"] for event in bench.told("alarm-unsuppressed")] == ["vapour-high"]
    assert bench.decision.levels.permit


def test_breathing_too_much_in_a_quarter_of_an_hour_is_an_alarm(bench):
    """Five drops of 0.5 mL in 5 min, extraction off: (5 x 3196 ppm x 54 s) / 900 s = 960 ppm."""
    for _ in range(5):
        bench.run(58.0, out=True)
        bench.run(2.0, out=False)
    bench.run(120.0)
    assert "exposure-short-term" in bench.raised()
    bench.run(1200.0, amps=RUNNING_A)
    assert "exposure-short-term" in [event["alarm"] for event in bench.told("alarm-returned")]


def test_an_acknowledged_urgent_alarm_that_still_stands_sounds_again(bench):
    """Re-alarm after a quarter of an hour for high and critical ones, never for the others (our defaults)."""
    bench.run(61.0, plate_c=None, health=Health(link_ok=False))
    bench.do("ack")
    bench.run(899.0)
    assert bench.raised() == ["plate-sensor-fault", "link-down"]
    bench.run(2.0)
    assert bench.raised() == ["plate-sensor-fault", "link-down", "plate-sensor-fault"]
    assert bench.told("alarm-raised")[-1]["reason"] == "still-standing"
    assert bench.decision.indication.sound == "high"


def test_link_alarm_says_why_nothing_reaches_the_broker(bench):
    """The reason is the link's own code, as it stands when the delay is over."""
    bench.run(59.0, health=Health(link_ok=False, link_fault="broker-refused"))
    bench.run(2.0, health=Health(link_ok=False, link_fault="certificate-not-yet-valid"))
    assert [event["reason"] for event in bench.told("alarm-raised")] == ["certificate-not-yet-valid"]
