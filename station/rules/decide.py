"""One tick of the rules: state, reading, requests and now to new state and decision.

Pure: the same inputs give the same answer, live, in a replay and in a test. The order within a tick is fixed:
the wires are judged, then the causes and their holds, then requests (against this tick's wires, never the
last one's), then the permit, then light and sound.
"""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from msgspec.structs import replace

from shared import events
from shared.events import EventBody, Values
from shared.indication import Indication, Levels
from shared.readings import ExtractionQuality, ExtractionReading, PlateQuality, PlateReading, Reading
from shared.requests import Asked
from shared.timeline import Moment, to_ms
from station.rules.alarms import SOUNDING, STANDING, Input
from station.rules.causes import BY_ALARM, CAUSES, Cause, Effect
from station.rules.conditions import Facts
from station.rules.extraction import ExtractionTurn, forget_extraction, watch_extraction
from station.rules.heat_budget import count_hot
from station.rules.indication import HURRY, LAMP_TEST_MS, REFUSED_MS, indicate, levels
from station.rules.interlock import attended_run, permit_refusals
from station.rules.plate import forget_plate, mirrored, wait_plate, watch_plate
from station.rules.requests import Outcome, carry_out
from station.rules.soak import RESTING, reaches_setpoint, watch_heat
from station.rules.state import Durable, HeatWatch, Life, State, Timer, Watch
from station.rules.tick import Book, Tick, holds
from station.rules.turn import turn
from station.rules.vapour import VapourWatch, lift, watch_vapour
from station.rules.warming import watch_warming

_STOPPING_SOAK = tuple(cause.alarm for cause in CAUSES if Effect.STOP_SOAK in cause.effects)
_HOLDING = tuple(
    cause for cause in CAUSES if Effect.HOLD_ANY in cause.effects or Effect.HOLD_HEAT in cause.effects
)

_AT_REST = Timer()
NOTHING_READ = Reading(
    plate=PlateReading(quality=PlateQuality.UNKNOWN),
    extraction=ExtractionReading(quality=ExtractionQuality.UNREADABLE),
    solvent_out=None,
)


class Decision(NamedTuple):
    """What a tick decided: events in order, an outcome for each request, what to show, what to drive."""

    events: tuple[EventBody, ...]
    outcomes: tuple[Outcome, ...]
    indication: Indication
    levels: Levels


class Begun(NamedTuple):
    """How a station begins: the state for its first tick, and the events that tell it."""

    state: State
    events: tuple[EventBody, ...]


class Remembered(NamedTuple):
    """What a station takes up from its record beside the fold of its events.

    ``hot_ms``: time at or above the heat budget's temperature by unit, from the readings. ``vapour``: the
    estimate as the record of the last hours gives it (`recall`). ``soak_ms``: of the heat step in hand
    (`recall_soak`): a panel that has had most of its soak must not get all of it once more.
    ``solder_ended_ms``: when soldering last ended in this boot, from which the extractor is to run on.
    """

    hot_ms: Mapping[str, int] = {}
    vapour: VapourWatch = VapourWatch()
    soak_ms: int = 0
    solder_ended_ms: int | None = None


NOTHING_KNOWN = Remembered()


def begin(
    durable: Durable,
    now: Moment,
    started: events.StationStarted,
    book: Book,
    known: Remembered = NOTHING_KNOWN,
) -> Begun:
    """Take up what an earlier run left: unit in hand, cures, alarms. A running step comes back held."""
    timers = {name: Timer(standing=True) for name, life in durable.alarms.items() if life.state in STANDING}
    heat = HeatWatch(soak_ms=known.soak_ms)
    watch = Watch(
        timers=timers,
        hot_ms=dict(known.hot_ms),
        vapour=known.vapour,
        heat=heat,
        solder_ended_ms=known.solder_ended_ms,
    )
    tick = Tick(book, State(durable, watch), NOTHING_READ, now)
    tick.emit(started)
    if durable.settings not in (None, tick.durable.settings):
        tick.emit(events.SettingsChanged(digest=tick.durable.settings or ""))
    run, unit = attended_run(tick), tick.durable.in_hand
    if run is not None and unit is not None and not run.held_by:
        tick.emit(events.StepHeld(unit=unit, step=run.step, alarm="station-restart"))
    return Begun(State(tick.durable, tick.watch), tuple(tick.events))


def decide(
    book: Book,
    state: State,
    reading: Reading,
    asked: Sequence[Asked],
    now: Moment,
    *,
    fresh: bool = True,
) -> tuple[State, Decision]:
    """One tick.

    Args:
        book: the limits and the process sheet.
        state: what the last tick left.
        reading: what the wires say now.
        asked: requests since the last tick, oldest first.
        now: this tick's moment; its monotonic time is never before the last tick's.
        fresh: False where the reading is the last tick's: it is judged as it was then, not once more.

    Returns:
        The new state and the decision.
    """
    tick = Tick(book, state, reading, now)
    passed_ms = _watch_wires(tick, fresh)
    _judge_causes(tick, passed_ms)
    _hold_step(tick)
    outcomes = tuple(carry_out(tick, request) for request in asked)
    permit = _settle_permit(tick)
    indication = _indicate(tick, permit)
    heartbeat = not tick.watch.heartbeat
    tick.watch = replace(tick.watch, permit=permit, heartbeat=heartbeat, last_ms=now.mono_ms)
    driven = levels(indication, now.mono_ms, permit=permit, heartbeat=heartbeat)
    return State(tick.durable, tick.watch), Decision(tuple(tick.events), outcomes, indication, driven)


def _watch_wires(tick: Tick, fresh: bool) -> int:
    """Judge the wires; the time since the last tick, 0 at a start and after a gap."""
    limits, watch, reading, now_ms = tick.book.limits, tick.watch, tick.reading, tick.now.mono_ms
    passed_ms = 0 if watch.last_ms is None else now_ms - watch.last_ms
    gap = passed_ms > to_ms(limits.gap_s)
    plate, lost = watch.plate, None
    if gap:
        passed_ms = 0
        plate = forget_plate(plate)
        watch, lost = _after_gap(watch)
    before_c = plate.plate_c
    if fresh or gap:
        believed = mirrored(watch.heat.start_c, reading.plate, limits.plate.mirrored_fall_c)
        plate = watch_plate(plate, believed, now_ms, passed_ms, limits)
    else:
        plate = wait_plate(plate, passed_ms, limits)
    turn = watch_extraction(watch.extraction, reading.extraction, now_ms, passed_ms, limits.extraction)
    unsure_ms = now_ms if watch.unsure_since_ms is None else watch.unsure_since_ms
    tick.watch = replace(
        watch,
        plate=plate,
        extraction=turn.watch,
        solvent_out=reading.solvent_out,
        unsure_since_ms=unsure_ms if reading.solvent_out is None else None,
    )
    _tell_extraction(tick, state_before=watch.extraction.proven, lost=lost or turn.lost)
    _tell_bottle(tick)
    _watch_step(tick, before_c, passed_ms)
    warming = watch_warming(
        tick.watch.warming,
        tick.watch.plate.plate_c,
        tick.watch.plate.cold_junction_c,
        tick.durable.on_plate is not None,
        now_ms,
        limits.plate.panel_tau_s,
    )
    plate_c, on_plate = tick.watch.plate.plate_c, tick.durable.on_plate
    vapour = watch_vapour(
        tick.watch.vapour, now_ms, plate_c, limits.solvent, proven=tick.watch.extraction.proven
    )
    hot_ms = count_hot(watch.hot_ms, on_plate, plate_c, passed_ms, limits.plate.budget_c)
    tick.watch = replace(tick.watch, warming=warming, vapour=vapour, hot_ms=hot_ms)
    return passed_ms


def _after_gap(watch: Watch) -> tuple[Watch, str | None]:
    turn: ExtractionTurn = forget_extraction(watch.extraction)
    timers = {name: Timer(timer.standing) for name, timer in watch.timers.items()}
    heat = replace(watch.heat, foot_c=None)
    return replace(watch, extraction=turn.watch, timers=timers, heat=heat), turn.lost


def _tell_extraction(tick: Tick, *, state_before: bool, lost: str | None) -> None:
    values: Values = {}
    current_a = tick.reading.extraction.extraction_a
    if current_a is not None:
        values["extraction_a"] = round(current_a, 3)
    if lost is not None:
        tick.emit(events.ExtractionLost(reason=lost, values=values))
    elif tick.watch.extraction.proven and not state_before:
        tick.emit(events.ExtractionProven(values=values))


def _tell_bottle(tick: Tick) -> None:
    out = tick.watch.solvent_out
    if out is None or out == tick.watch.lifted:
        return
    tick.watch = replace(tick.watch, lifted=out)
    if not out:
        tick.emit(events.SolventReturned())
        return
    limits = tick.book.limits.solvent
    tick.watch = replace(tick.watch, vapour=lift(tick.watch.vapour, limits))
    tick.emit(events.SolventLifted(values={"ml": limits.dose_ml}))


def _watch_step(tick: Tick, before_c: float | None, passed_ms: int) -> None:
    step, run, unit = tick.step, tick.run, tick.durable.in_hand
    if step is None or run is None or unit is None or step.kind != "heat":
        if tick.watch.heat is not RESTING:
            tick.watch = replace(tick.watch, heat=RESTING)
        return
    plate_c = tick.watch.plate.plate_c
    if plate_c is not None and not run.at_setpoint and reaches_setpoint(step, before_c, plate_c):
        values: Values = {"plate_c": round(plate_c, 2)}
        tick.emit(events.PlateAtSetpoint(unit=unit, step=step.key, values=values))
        run = tick.run or run
    heat = watch_heat(
        tick.watch.heat,
        step,
        run,
        plate_c,
        tick.now.mono_ms,
        passed_ms,
        stopped=tick.durable.on_plate != unit or any(tick.stands(alarm) for alarm in _STOPPING_SOAK),
        rise_c=tick.book.limits.plate.not_heating_rise_c,
    )
    tick.watch = replace(tick.watch, heat=heat)


def _judge_causes(tick: Tick, passed_ms: int) -> None:
    facts = tick.facts()
    timers = dict(tick.watch.timers)
    moved: list[Cause] = []
    for cause in CAUSES:
        before = timers.get(cause.alarm, _AT_REST)
        after = _advance(cause, before, facts, passed_ms)
        if after != before:
            timers[cause.alarm] = after
        if after.standing or cause.alarm in tick.durable.alarms:
            moved.append(cause)
    tick.watch = replace(tick.watch, timers=timers)
    for cause in moved:
        _live(tick, cause, timers.get(cause.alarm, _AT_REST).standing)


def _advance(cause: Cause, timer: Timer, facts: Facts, passed_ms: int) -> Timer:
    """The cause's delay after one more tick: it turns when the condition has held for its whole delay."""
    holds_now = cause.condition(facts, timer.standing)
    if holds_now is None:  # time of which nothing is known counts neither for nor against
        return timer if timer.since_ms is None else Timer(timer.standing, timer.since_ms + passed_ms)
    if holds_now == timer.standing:
        return timer if timer.since_ms is None else Timer(timer.standing)
    now_ms = facts.now.mono_ms
    since_ms = now_ms if timer.since_ms is None else timer.since_ms
    delay_s = (cause.on_delay_s if holds_now else cause.off_delay_s)(facts.limits)
    if holds_now and cause.counts_itself:
        delay_s = 0.0
    return Timer(holds_now) if now_ms - since_ms >= to_ms(delay_s) else Timer(timer.standing, since_ms)


def _live(tick: Tick, cause: Cause, standing: bool) -> None:
    """Let the alarm follow its cause. Level by level, so that nothing depends on having seen the edge."""
    if tick.life(cause.alarm) is Life.SHELVED and _shelf_time_is_up(tick, cause.alarm):
        turn(tick, cause, Input.UNSHELVE, reason="time is up")
    if cause.suppressed_by:
        by = next((alarm for alarm in cause.suppressed_by if tick.in_force(BY_ALARM[alarm])), None)
        if standing and by is not None:
            turn(tick, cause, Input.SUPPRESS, reason=by)
            return
        turn(tick, cause, Input.UNSUPPRESS)
    life = tick.life(cause.alarm)
    if standing and life not in STANDING:
        turn(tick, cause, Input.RAISE)
    elif not standing and life in STANDING:
        turn(tick, cause, Input.RETURN)
    elif life is Life.ACKNOWLEDGED and _realarm_is_due(tick, cause):
        turn(tick, cause, Input.REALARM, reason="still-standing")


def _shelf_time_is_up(tick: Tick, alarm: str) -> bool:
    life = tick.durable.alarms[alarm]
    if life.since.boot != tick.now.boot:
        return True  # how long it was put aside cannot be told: it counts again
    return tick.now.mono_ms - life.since.mono_ms >= to_ms(life.shelved_min * 60)


def _realarm_is_due(tick: Tick, cause: Cause) -> bool:
    limits, life = tick.book.limits.alarms, tick.durable.alarms[cause.alarm]
    urgent = cause.priority in ("high", "critical")
    after_ms = to_ms(60 * (limits.realarm_urgent_min if urgent else limits.realarm_other_min))
    if not after_ms:
        return False
    # Of an acknowledgement before this boot only that much can be told: it is older than the boot.
    since_ms = life.since.mono_ms if life.since.boot == tick.now.boot else 0
    return tick.now.mono_ms - since_ms >= after_ms


def _hold_step(tick: Tick) -> None:
    for cause in _HOLDING:
        step, run, unit = tick.step, tick.run, tick.durable.in_hand
        if step is None or run is None or unit is None:
            return
        if cause.alarm not in run.held_by and holds(cause.effects, step) and tick.stands(cause.alarm):
            tick.emit(events.StepHeld(unit=unit, step=step.key, alarm=cause.alarm))


def _settle_permit(tick: Tick) -> bool:
    reasons = permit_refusals(tick)
    permit = not reasons
    if permit and not tick.watch.permit:
        tick.emit(events.PermitGranted())
    elif tick.watch.permit and not permit:
        tick.emit(events.PermitDropped(reasons=reasons))
    return permit


def _indicate(tick: Tick, permit: bool) -> Indication:
    alarms, watch, run = tick.durable.alarms, tick.watch, attended_run(tick)
    silenced = watch.silenced
    if silenced:
        sounding = {name for name, life in alarms.items() if life.state in SOUNDING}
        silenced &= sounding | ({HURRY} if tick.hurry else set())
        tick.watch = replace(watch, silenced=silenced)
    now_ms = tick.now.mono_ms
    return indicate(
        alarms,
        permit=permit,
        bottle_away=watch.solvent_out is False,
        held=run is not None and bool(run.held_by),
        resumable=run is not None and bool(run.held_by) and not any(map(tick.stands, run.held_by)),
        hurry=tick.hurry,
        silenced=silenced,
        refused=watch.refused_ms is not None and now_ms - watch.refused_ms < REFUSED_MS,
        lamp_test=watch.lamp_test_ms is not None and now_ms - watch.lamp_test_ms < LAMP_TEST_MS,
    )
