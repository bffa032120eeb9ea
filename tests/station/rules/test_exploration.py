"""Every state that extraction, bottle, one solder step, permit and whoever asks can reach.

A small bench with short delays, so that all is reached in few ticks: each tick the wires are one of six and
at most one thing is asked, or the station starts again, with its sheet or with one that no longer knows the
step. States are told apart by everything but the absolute time, and each state's invariants are checked on
the way: what no test of single stories can promise.
"""

from typing import NamedTuple

from shared.events import StationStarted
from shared.indication import Lamp
from shared.readings import ExtractionQuality, ExtractionReading, PlateQuality, PlateReading, Reading
from shared.requests import parse_text
from shared.sheet import Sheet, Step
from shared.timeline import Moment
from station.rules.alarms import SOUNDING
from station.rules.causes import BY_ALARM
from station.rules.decide import begin, decide
from station.rules.limits import ExtractionLimits, Limits, SolventLimits
from station.rules.state import Durable, Life, State, Unit, Watch
from station.rules.tick import Book

TICK_MS = 500
DEEPEST = 40
# Alarms that only wait for time lie outside what is explored: their delays are longer than the depth.
LIMITS = Limits(
    extraction=ExtractionLimits(proof_s=1.0, lost_s=0.5, fault_delay_s=5.0, run_on_s=0),
    solvent=SolventLimits(delay_s=0.5, dose_ml=0.01),
)
SOLDER = Step(key="solder", title="Solder", kind="solder")
BOOK = Book(LIMITS, Sheet(name="s", version="1", step=(SOLDER,)))
LOOK = Step(key="look", title="Look", kind="inspect")
OTHER_BOOK = Book(LIMITS, Sheet(name="s", version="2", step=(LOOK,)))
STARTED = StationStarted(station="bench-1", version="test", sheet="s")
WIRES = [(current_a, out) for current_a in (0.42, 0.0, None) for out in (False, True)] + [(0.42, None)]
REQUESTS = [
    None,
    "start step=solder",
    "ack",
    "silence",
    "resume",
    "finish step=solder result=fail",
    "finish step=solder result=pass",
]


class Place(NamedTuple):
    """A state, and the book by which it is judged."""

    book: Book
    state: State


def reading(wires, tick):
    """A good cold plate, and this current and bottle."""
    current_a, out = wires
    if current_a is None:
        extraction = ExtractionReading(quality=ExtractionQuality.UNREADABLE)
    else:
        extraction = ExtractionReading(quality=ExtractionQuality.GOOD, extraction_a=current_a)
    plate = PlateReading(quality=PlateQuality.GOOD, word=tick, plate_c=25.0, cold_junction_c=24.0)
    return Reading(plate=plate, extraction=extraction, solvent_out=out)


def key(place, now_ms):
    """What the state is, apart from when: the durations that still matter, capped where they no longer do."""

    def age(at_ms):
        return None if at_ms is None else min(now_ms - at_ms, 2000)

    watch, durable = place.state.watch, place.state.durable
    run = durable.run
    return (
        place.book is BOOK,
        run and (run.held_by,),
        tuple(sorted((name, life.state) for name, life in durable.alarms.items())),
        (
            watch.extraction.proven,
            watch.extraction.below_ms,
            age(watch.extraction.above_since_ms),
            age(watch.extraction.below_since_ms),
        ),
        (watch.solvent_out, age(watch.unsure_since_ms)),
        tuple(
            sorted(
                (name, timer.standing, age(timer.since_ms))
                for name, timer in watch.timers.items()
                if any(timer) and name not in SLOW
            )
        ),
        watch.silenced,
        watch.permit,
    )


SLOW = {"solvent-left-out", "extraction-sensor-fault"}


def check(before, place, decision, request):
    """What must be true after every tick, whatever came before."""
    state = place.state
    run, proven = state.durable.run, state.watch.extraction.proven
    lives = state.durable.alarms
    critical = [name for name, life in lives.items() if BY_ALARM[name].priority == "critical"]
    running = run is not None and not run.held_by
    assert not (running and not proven)
    assert not (running and place.book is OTHER_BOOK)
    assert not (running and state.watch.solvent_out is True)
    assert not (decision.levels.permit and (not proven or critical))
    assert decision.levels.permit == state.watch.permit
    green = decision.indication.green is Lamp.STEADY
    assert not (green and (critical or not decision.levels.permit or state.watch.solvent_out is not False))
    was = before.state.durable
    for name in critical:
        if lives[name].state in SOUNDING and name not in before.state.durable.alarms:
            assert decision.indication.sound == "critical"  # whoever pressed what: it is heard once at least
            assert name not in state.watch.silenced
    resumed = was.run and was.run.held_by and running
    if resumed:
        assert proven
        assert not critical
        assert place.book is BOOK
    for name, life in was.alarms.items():
        if BY_ALARM[name].priority == "critical" and name not in lives:
            assert life.state is Life.ACKNOWLEDGED or request == "ack"
    if "solder" in state.durable.units["U-1"].passed and "solder" not in was.units["U-1"].passed:
        assert proven


def after_a_start(place, book, now):
    """The station starts again, by this book."""
    return Place(book, begin(place.state.durable, now, STARTED, book).state)


def explore(deepest):
    """All states, breadth first: how many states and ticks, what was met, and the depth without a new one."""
    durable = Durable(in_hand="U-1", units={"U-1": Unit(model="m")})
    # One tick of all's well, so that the plate has been seen.
    state, _ = decide(BOOK, State(durable, Watch()), reading((0.0, False), 0), [], Moment("b", 0))
    start = Place(BOOK, state)
    seen, front, moves, goals = {key(start, 0)}, [start], 0, set()
    for depth in range(1, deepest + 1):
        now = Moment("b", depth * TICK_MS)
        nearest = {}
        for place in front:
            reached = [after_a_start(place, book, now) for book in (BOOK, OTHER_BOOK)]
            for wires in WIRES:
                for request in REQUESTS:
                    asked = [parse_text(request)] if request else []
                    state, decision = decide(place.book, place.state, reading(wires, depth), asked, now)
                    after = Place(place.book, state)
                    check(place, after, decision, request)
                    moves += 1
                    reached.append(after)
                    goals |= met(after, decision, request)
            for after in reached:
                nearest.setdefault(key(after, now.mono_ms), after)
        front = [place for name, place in nearest.items() if name not in seen]
        seen |= nearest.keys()
        if not front:
            break
    return len(seen), moves, goals, depth


def met(place, decision, request):
    """What of interest this state is."""
    goals = {"permit" if place.state.watch.permit else "locked"}
    run = place.state.durable.run
    if run is not None:
        goals.add("held" if run.held_by else "soldering")
        if run.held_by and place.book is OTHER_BOOK:
            goals.add("held under a sheet that does not know it")
    if request == "resume" and decision.outcomes[0].accepted:
        goals.add("resumed")
    if place.state.watch.silenced:
        goals.add("silenced")
    if "solvent-at-iron" in place.state.durable.alarms:
        goals.add("bottle at the iron")
    return goals


GOALS = {
    "permit", "locked", "soldering", "held", "held under a sheet that does not know it", "resumed",
    "silenced", "bottle at the iron",
}  # fmt: skip


def test_no_reachable_state_solders_without_proof(capsys):
    """Until no tick leads to a new state; the interesting ones among them, and the number printed."""
    states, moves, goals, depth = explore(DEEPEST)
    with capsys.disabled():
        print(f"\nexplored {states} states by {moves} ticks; none new after {depth} ticks in a row")
    assert depth < DEEPEST
    assert goals == GOALS
    assert states > 1000
