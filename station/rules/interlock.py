"""Interlocks: every reason that stands against a start, a finish, a resume or the iron's power.

All reasons at once, so that the technician hears the whole story; an empty list is the permission.
"""

from shared.sheet import Step
from station.rules.alarms import LATCHED, WAITING
from station.rules.causes import BY_ALARM, CAUSES, Effect
from station.rules.state import Run, Unit
from station.rules.tick import Tick, elapsed_ms


def attended_run(tick: Tick) -> Run | None:
    """The step that somebody works at: the one in hand, unless it is a cure."""
    run, step = tick.run, tick.step
    work = run.work if run is not None and run.work else step.kind if step is not None else None
    return run if work != "cure" else None


def _refusals(tick: Tick, *effects: Effect) -> list[str]:
    """The reason codes of every row in force that has one of these effects."""
    return [
        reason
        for cause in CAUSES
        if cause.effects.intersection(effects) and tick.in_force(cause)
        for reason in cause.reasons
    ]


def permit_refusals(tick: Tick) -> list[str]:
    """Why the iron has no power; empty when it may have it."""
    reasons = [] if tick.watch.extraction.proven else ["extraction-not-proven"]
    if not tick.watch.plate.seen:
        reasons.append("plate-sensor-fault")
    return _once(reasons + _refusals(tick, Effect.DROP_PERMIT))


def wire_refusals(tick: Tick, step: Step) -> list[str]:
    """Why the wires speak against a step running now, whatever unit it is for."""
    reasons = []
    if step.needs_extraction and not tick.watch.extraction.proven:
        reasons.append("extraction-not-proven")
    on_plate = step.kind in ("heat", "solder")
    if on_plate and not tick.watch.plate.seen:
        reasons.append("plate-sensor-fault")
    if _solvent_in_the_way(tick, step):
        reasons.append("solvent-out")
    effects = (Effect.REFUSE_ALL, Effect.REFUSE_HEAT_AND_SOLDER) if on_plate else (Effect.REFUSE_ALL,)
    return _once(reasons + _refusals(tick, *effects))


def _once(reasons: list[str]) -> list[str]:
    return list(dict.fromkeys(reasons))


def _solvent_in_the_way(tick: Tick, step: Step) -> bool:
    out, plate_c = tick.watch.solvent_out, tick.watch.plate.plate_c
    if step.kind == "solder":
        return out is not False  # unknown is never safe
    if step.kind != "heat" or step.solvent == "hot":
        return False
    cold = plate_c is not None and plate_c < tick.book.limits.solvent.hot_plate_c
    return out is True and not (step.solvent == "cold" and cold)


def start_refusals(tick: Tick, key: str, unit_name: str | None) -> list[str]:
    """Why the step may not start on the unit (None: nobody said which, and none is in hand)."""
    unit = tick.durable.units.get(unit_name) if unit_name is not None else None
    step = tick.book.sheet.find(key)
    reasons = []
    if unit_name is None:
        reasons.append("no-unit")
    elif unit is None:
        reasons.append("unknown-unit")
    if step is None:
        reasons.append("unknown-step")
    if attended_run(tick) is not None or (unit is not None and unit.run is not None):
        reasons.append("step-running")
    if step is None:
        return reasons
    if unit is not None:
        reasons += _order_refusals(tick, step, unit)
        on_plate = tick.durable.on_plate
        if step.kind == "heat" and on_plate not in (None, unit_name):
            reasons.append("plate-occupied")
    return reasons + wire_refusals(tick, step)


def _order_refusals(tick: Tick, step: Step, unit: Unit) -> list[str]:
    missing = [key for key in step.after if not _counts(tick, key, unit)]
    if not missing:
        return []
    reasons = ["step-order"]
    run = unit.run
    if run is not None and run.step in missing:
        reasons += cure_refusals(tick, tick.book.sheet.find(run.step), run)
    return reasons


def _counts(tick: Tick, key: str, unit: Unit) -> bool:
    """Whether a step is done: passed, and a cure only after the last of what it is the cure of."""
    if key not in unit.passed:
        return False
    step = tick.book.sheet.find(key)
    if step is None or step.kind != "cure":
        return True
    order = unit.passed
    return all(before in order and order.index(before) < order.index(key) for before in step.after)


def cure_refusals(tick: Tick, step: Step | None, run: Run) -> list[str]:
    """Why a cure is not done yet; empty for other work."""
    if step is None or step.cure_h is None:
        return []
    passed_ms = elapsed_ms(run, tick.now)
    if passed_ms is None:
        return ["clock-untrusted"]
    return ["cure-unfinished"] if passed_ms < round(step.cure_h * 3_600_000) else []


def step_of(tick: Tick, run: Run) -> Step | None:
    """The sheet's step that the run is of; None where the sheet has changed and knows no such work.

    A sheet may be changed while a step waits through a restart: what was begun as soldering must not go on
    as something that needs no extraction.
    """
    step = tick.book.sheet.find(run.step)
    return step if step is None or run.work in (None, step.kind) else None


def finish_refusals(tick: Tick, run: Run, result: str) -> list[str]:
    """Why the run may not end with this result; a failure may be told at any time."""
    if result != "pass":
        return []
    step = step_of(tick, run)
    if step is None:
        return ["unknown-step"]
    reasons = []
    if step.soak_ms and tick.watch.heat.soak_ms < step.soak_ms:
        reasons.append("soak-unfinished")
    return reasons + cure_refusals(tick, step, run)


def resume_refusals(tick: Tick, run: Run) -> list[str]:
    """Why a held step may not go on: causes that stand, alarms not acknowledged, interlocks."""
    reasons = []
    for alarm in run.held_by:
        if alarm not in BY_ALARM:
            continue  # held by a restart: the interlocks below decide
        if tick.stands(alarm):
            reasons.append("cause-standing")
        if tick.life(alarm) in WAITING:
            reasons.append("alarm-unacknowledged")
        if tick.life(alarm) in LATCHED:
            reasons.append("alarm-latched")
    step = step_of(tick, run)
    if step is None:
        return [*_once(reasons), "unknown-step"]
    return _once(reasons + wire_refusals(tick, step))


def step_warnings(step: Step, uncertainty_c: float | None) -> list[str]:
    """What speaks against a step without forbidding it: a tolerance tighter than the reading is sure."""
    tight = step.tolerance_c is not None and uncertainty_c is not None and step.tolerance_c < uncertainty_c
    return ["tolerance-below-uncertainty"] if tight else []
