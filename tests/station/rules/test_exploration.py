"""Every state that extraction, one solder step, permit, acknowledge and resume can reach.

A small bench with short delays, so that all is reached in few ticks: each tick the current is one of three
and at most one request is made. States are told apart by everything but the absolute time, and each state's
invariants are checked on the way: what no test of single stories can promise.
"""

from shared.readings import ExtractionQuality, ExtractionReading, PlateQuality, PlateReading, Reading
from shared.requests import parse_text
from shared.sheet import Sheet, Step
from shared.timeline import Moment
from station.rules.alarms import ACTIVE
from station.rules.causes import BY_ALARM
from station.rules.decide import decide
from station.rules.limits import ExtractionLimits, Limits
from station.rules.state import Durable, State, Unit, Watch
from station.rules.tick import Book

TICK_MS = 500
DEEPEST = 40
BOOK = Book(
    # The alarm of the extraction sensor lies outside what is explored: its delay is longer than the depth.
    Limits(extraction=ExtractionLimits(proof_s=1.0, lost_s=0.5, fault_delay_s=5.0, run_on_s=0)),
    Sheet(name="s", version="1", step=(Step(key="solder", title="Solder", kind="solder"),)),
)
CURRENTS = [0.42, 0.0, None]
REQUESTS = [None, "start step=solder", "ack", "resume", "finish step=solder result=fail"]


def reading(current_a, tick):
    """A good plate, the bottle away, and this current."""
    if current_a is None:
        extraction = ExtractionReading(quality=ExtractionQuality.UNREADABLE)
    else:
        extraction = ExtractionReading(quality=ExtractionQuality.GOOD, extraction_a=current_a)
    plate = PlateReading(quality=PlateQuality.GOOD, word=tick, plate_c=25.0, cold_junction_c=24.0)
    return Reading(plate=plate, extraction=extraction, solvent_out=False)


def key(state, now_ms):
    """What the state is, apart from when: the durations that still matter, capped where they no longer do."""

    def age(at_ms):
        return None if at_ms is None else min(now_ms - at_ms, 2000)

    watch, run = state.watch, state.durable.run
    return (
        run and (run.held_by,),
        tuple(sorted((name, life.state) for name, life in state.durable.alarms.items())),
        (watch.extraction.proven, age(watch.extraction.above_since_ms), age(watch.extraction.below_since_ms)),
        tuple(
            sorted(
                (name, timer.standing, age(timer.since_ms))
                for name, timer in watch.timers.items()
                if any(timer)
            )
        ),
        watch.permit,
    )


def check(before, state, decision):
    """What must be true after every tick, whatever came before."""
    run, proven = state.durable.run, state.watch.extraction.proven
    critical = any(
        life.state in ACTIVE and BY_ALARM[name].priority == "critical"
        for name, life in state.durable.alarms.items()
    )
    assert not (run is not None and not run.held_by and not proven)
    assert not (decision.levels.permit and (not proven or critical))
    assert decision.levels.permit == state.watch.permit
    if run is not None and run.held_by:
        assert run.held_by == ("extraction-lost",)
    resumed = before.durable.run and before.durable.run.held_by and run is not None and not run.held_by
    if resumed:
        assert proven
        assert "extraction-lost" not in state.durable.alarms


def explore():
    """All states, breadth first: how many states and ticks, what was met, and the depth without a new one."""
    start = State(Durable(in_hand="U-1", units={"U-1": Unit(model="m")}), Watch())
    # One tick of all's well, so that the plate has been seen.
    start, _ = decide(BOOK, start, reading(0.0, 0), [], Moment("b", 0))
    seen, front, moves, goals = {key(start, 0)}, [start], 0, set()
    for depth in range(1, DEEPEST + 1):
        now = Moment("b", depth * TICK_MS)
        nearest = {}
        for state in front:
            for current_a in CURRENTS:
                for request in REQUESTS:
                    asked = [parse_text(request)] if request else []
                    after, decision = decide(BOOK, state, reading(current_a, depth), asked, now)
                    check(state, after, decision)
                    moves += 1
                    run = after.durable.run
                    goals.add("permit" if after.watch.permit else "locked")
                    if run is not None:
                        goals.add("held" if run.held_by else "soldering")
                    if request == "resume" and decision.outcomes[0].accepted:
                        goals.add("resumed")
                    nearest.setdefault(key(after, now.mono_ms), after)
        front = [state for name, state in nearest.items() if name not in seen]
        seen |= nearest.keys()
        if not front:
            break
    return len(seen), moves, goals, depth


def test_no_reachable_state_solders_without_proof(capsys):
    """Until no tick leads to a new state; the interesting ones among them, and the number printed."""
    states, moves, goals, depth = explore()
    with capsys.disabled():
        print(f"\nexplored {states} states by {moves} ticks; none new after {depth} ticks in a row")
    assert depth < DEEPEST
    assert goals == {"permit", "locked", "soldering", "held", "resumed"}
    assert states > 100
