"""Every cause × every kind of step × the permit, against the effects as the contract's table gives them.

Written out by hand from that table; a critical alarm refuses every start and keeps the iron dead as well.
"""

import itertools

import pytest
from msgspec.structs import replace

from shared.readings import ExtractionQuality, ExtractionReading, PlateQuality, PlateReading, Reading
from shared.sheet import Sheet, Step
from shared.timeline import Moment
from station.rules.causes import CAUSES
from station.rules.decide import decide
from station.rules.interlock import permit_refusals, start_refusals
from station.rules.limits import Limits
from station.rules.state import (
    AlarmLife,
    Durable,
    ExtractionWatch,
    Life,
    PlateWatch,
    Run,
    State,
    Timer,
    Unit,
    Watch,
)
from station.rules.tick import Book, Tick, holds

KINDS = ("inspect", "heat", "solder", "bond", "cure", "other")
ALL = frozenset(KINDS)
HANDS_ON = ALL - {"cure"}
# alarm: kinds whose start is refused, kinds held while they run, iron power dropped
EFFECTS = {
    "plate-sensor-fault": ({"heat", "solder"}, {"heat"}, True),
    "plate-over-limit": (ALL, HANDS_ON, True),
    "extraction-lost": (ALL, HANDS_ON, True),
    "solvent-unextracted": (ALL, set(), True),
    "solvent-at-iron": (ALL, HANDS_ON, True),
    "vapour-critical": (ALL, set(), True),
}
NOTHING: tuple[set[str], set[str], bool] = (set(), set(), False)

STEPS = tuple(
    Step(
        key=kind,
        title=kind,
        kind=kind,
        setpoint_c=100 if kind == "heat" else None,
        tolerance_c=5 if kind == "heat" else None,
        open_time_min=5 if kind == "bond" else None,
        cure_h=1 if kind == "cure" else None,
    )
    for kind in KINDS
)
BOOK = Book(Limits(), Sheet(name="kinds", version="1", step=STEPS))
NOW = Moment("b", 60_000)
GOOD = Reading(
    plate=PlateReading(quality=PlateQuality.GOOD, word=1, plate_c=30.0, cold_junction_c=25.0),
    extraction=ExtractionReading(quality=ExtractionQuality.GOOD, extraction_a=0.42),
    solvent_out=False,
)


def bench(alarm: str | None, run: Run | None = None, life: Life = Life.UNACKNOWLEDGED) -> Tick:
    """A bench where all is well but for one cause that stands."""
    durable = Durable(in_hand="U-1", units={"U-1": Unit(model="m", run=run)})
    watch = Watch(
        last_ms=NOW.mono_ms - 100,
        plate=PlateWatch(plate_c=30.0, quality=PlateQuality.GOOD, seen=True),
        extraction=ExtractionWatch(proven=True),
        solvent_out=False,
        permit=True,
    )
    if alarm is not None:
        durable = replace(durable, alarms={alarm: AlarmLife(life, NOW)})
        watch = replace(watch, timers={alarm: Timer(standing=True)})
    return Tick(BOOK, State(durable, watch), GOOD, NOW)


@pytest.mark.parametrize(
    ("cause", "kind"),
    list(itertools.product(CAUSES, KINDS)),
    ids=lambda v: v if isinstance(v, str) else v.alarm,
)
def test_cause_refuses_and_holds_the_kinds_it_should(cause, kind):
    """Starts, holds and permit for one cause and one kind of step, acknowledged or not."""
    refused, held, dead = EFFECTS.get(cause.alarm, NOTHING)
    step = BOOK.sheet.find(kind)
    assert step is not None
    for life in (Life.UNACKNOWLEDGED, Life.ACKNOWLEDGED):
        tick = bench(cause.alarm, life=life)
        assert bool(start_refusals(tick, kind, "U-1")) is (kind in refused)
        assert bool(permit_refusals(tick)) is dead
    assert holds(cause.effects, step) is (kind in held)


@pytest.mark.parametrize("kind", KINDS)
def test_without_a_cause_every_kind_starts_and_the_iron_has_power(kind):
    """The bench of these tests refuses nothing by itself."""
    tick = bench(None)
    assert start_refusals(tick, kind, "U-1") == []
    assert permit_refusals(tick) == []


@pytest.mark.parametrize("life", [Life.SHELVED, Life.SUPPRESSED, Life.OUT_OF_SERVICE])
@pytest.mark.parametrize("alarm", [alarm for alarm in EFFECTS if alarm == "plate-sensor-fault"])
def test_an_alarm_put_aside_keeps_its_effects(alarm, life):
    """Only those that can be put aside at all; critical ones cannot."""
    tick = bench(alarm, life=life)
    assert "plate-sensor-fault" in start_refusals(tick, "heat", "U-1")
    assert permit_refusals(tick) == ["plate-sensor-fault"]


@pytest.mark.parametrize("kind", KINDS)
def test_a_running_step_loses_its_permit_in_the_tick_of_the_cause(kind):
    """One whole decision: plate over its limit, with its delay already run down."""
    tick = bench(None, Run(step=kind, attempt=1, started=NOW))
    watch = replace(
        tick.watch,
        plate=replace(tick.watch.plate, recent=(131.0, 131.0, 131.0)),
        timers={"plate-over-limit": Timer(False, NOW.mono_ms - 1000)},
    )
    hot = replace(
        GOOD, plate=PlateReading(quality=PlateQuality.GOOD, word=2, plate_c=131.0, cold_junction_c=25.0)
    )
    state, decision = decide(BOOK, State(tick.durable, watch), hot, [], NOW)
    assert not decision.levels.permit
    run = state.durable.run
    assert run is not None
    assert (run.held_by == ("plate-over-limit",)) is (kind != "cure")


def test_what_was_silenced_sounds_again_when_it_is_raised_again(bench):
    """Over the limit, silenced, cooler and over it again before anybody reset it: heard anew."""
    bench.run(3, plate_c=135.0)
    assert bench.decision.indication.sound == "critical"
    bench.do("silence")
    assert bench.decision.indication.sound == "none"
    bench.run(8, plate_c=100.0)
    assert (bench.durable.alarms["plate-over-limit"].state, bench.decision.indication.sound) == (
        Life.LATCHED_UNACKNOWLEDGED,
        "none",
    )
    bench.run(3, plate_c=135.0)
    assert bench.raised() == ["plate-over-limit"] * 2
    assert bench.decision.indication.sound == "critical"


@pytest.mark.parametrize("blind", ["ack", "ack alarm=solvent-at-iron", "silence"])
def test_nobody_has_seen_or_heard_an_alarm_in_the_tick_that_raises_it(bench, blind):
    """A press meant for something older leaves it flashing and sounding; the next one counts."""
    bench.prove()
    bench.do("book-in unit=U-1 model=m", "start step=solder")
    bench.out = True
    bench.tick(blind)
    assert bench.durable.alarms["solvent-at-iron"].state is Life.UNACKNOWLEDGED
    bench.tick()
    assert bench.decision.indication.sound == "critical"
    bench.do(blind)
    bench.run(1)
    assert bench.decision.indication.sound == "none"
