"""From state to the snapshot that pages show: what is, what is locked, and why."""

from typing import Any

from shared.indication import Indication
from shared.messages import (
    AlarmState,
    Choice,
    CommissioningState,
    ExtractionState,
    Lock,
    PlateState,
    StationState,
    StepState,
    VapourState,
)
from shared.readings import Reading
from shared.sheet import Step
from shared.timeline import Moment, rfc3339
from station.rules.causes import BY_ALARM, PRIORITIES
from station.rules.interlock import (
    attended_run,
    permit_refusals,
    resume_refusals,
    start_refusals,
    step_warnings,
)
from station.rules.soak import inside_band
from station.rules.state import Run, State
from station.rules.tick import Book, Tick, elapsed_ms
from station.rules.vapour import assumption, lel_share
from station.rules.warming import forecast


def describe(
    book: Book,
    state: State,
    reading: Reading,
    now: Moment,
    indication: Indication,
    *,
    station: str,
    ticks: int,
    ticks_missed: int,
) -> StationState:
    """The whole bench as it is after a tick, for the retained state message."""
    tick = Tick(book, state, reading, now)
    durable, watch = state.durable, state.watch
    unit = durable.units.get(durable.in_hand) if durable.in_hand else None
    run, step = tick.run, tick.step
    return StationState(
        station=station,
        boot=now.boot,
        mono_s=now.mono_ms / 1000,
        at=rfc3339(now.wall_ms),
        plate=_plate(tick, step, run),
        extraction=_extraction(tick),
        solvent_out=watch.solvent_out,
        vapour=_vapour(tick),
        permit=watch.permit,
        technician=durable.technician,
        unit=durable.in_hand,
        model=unit.model if unit else None,
        on_plate=durable.on_plate,
        step=_step(tick, step or _unheard_of(run), run) if run is not None else None,
        locked=_locks(tick),
        may_start=_may_start(tick),
        alarms=_alarms(tick),
        indication=indication,
        commissioning=_commissioning(tick),
        ticks=ticks,
        ticks_missed=ticks_missed,
    )


def _plate(tick: Tick, step: Step | None, run: Run | None) -> PlateState:
    plate = tick.watch.plate
    heat = step if step is not None and step.kind == "heat" else None
    inside = heat is not None and plate.plate_c is not None and inside_band(heat, plate.plate_c)
    ahead = forecast(tick.watch.warming, heat, tick.book.limits.plate.panel_tau_s)
    panel, valid_ms = tick.watch.warming.panel, plate.valid_ms
    return PlateState(
        uncertainty_c=_rounded(tick.book.uncertainty_c, 1),
        age_s=None if valid_ms is None else (tick.now.mono_ms - valid_ms) / 1000,
        faults=plate.faults,
        panel_c=_rounded(panel.panel_c, 1) if panel is not None else None,
        panel_at_setpoint=ahead.panel_at_setpoint,
        ready_plate_s=_rounded(ahead.to_go.plate_s, 0),
        ready_panel_s=_rounded(ahead.to_go.panel_s, 0),
        plate_c=_rounded(plate.plate_c, 2),
        quality=str(plate.quality),
        cold_junction_c=plate.cold_junction_c,
        setpoint_c=heat.setpoint_c if heat else None,
        tolerance_c=heat.tolerance_c if heat else None,
        at_setpoint=inside and run is not None and run.at_setpoint,
    )


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)


def _extraction(tick: Tick) -> ExtractionState:
    watch, reading = tick.watch.extraction, tick.reading.extraction
    since_ms = tick.now.mono_ms if watch.since_ms is None else watch.since_ms
    return ExtractionState(
        extraction_a=None if reading.extraction_a is None else round(reading.extraction_a, 3),
        quality=str(reading.quality),
        proven=watch.proven,
        since_s=(tick.now.mono_ms - since_ms) / 1000,
    )


def _vapour(tick: Tick) -> VapourState:
    watch, limits = tick.watch.vapour, tick.book.limits.solvent
    solvent = limits.in_use
    since_ms = tick.now.mono_ms if watch.since_ms is None else watch.since_ms
    return VapourState(
        solvent=limits.name,
        ppm=round(watch.air.vapour_ppm, 1),
        lel_share=round(lel_share(watch, limits), 4),
        short_term_ppm=round(watch.breathed.short_term_ppm, 1),
        short_term_limit_ppm=solvent.short_term_ppm,
        long_term_ppm=round(watch.breathed.long_term_ppm, 1),
        long_term_limit_ppm=solvent.long_term_ppm,
        watched_s=(tick.now.mono_ms - since_ms) / 1000,
        dose_ml=limits.dose_ml,
        assumes=assumption(limits, proven=tick.watch.extraction.proven),
    )


def _unheard_of(run: Run) -> Step:
    """What stands for a step under way that the sheet no longer has."""
    kind: Any = run.work or "other"
    return Step(key=run.step, title=f"{run.step} (not in this sheet)", kind=kind)


def _step(tick: Tick, step: Step, run: Run) -> StepState:
    passed_ms = elapsed_ms(run, tick.now)
    passed_s = None if passed_ms is None else passed_ms / 1000
    return StepState(
        key=step.key,
        title=step.title,
        kind=step.kind,
        held=bool(run.held_by),
        held_by=list(run.held_by),
        resume_refusals=resume_refusals(tick, run) if run.held_by else [],
        elapsed_s=passed_s or 0.0,
        warnings=step_warnings(step, tick.book.uncertainty_c),
        max_s=step.max_min * 60 if step.max_min else None,
        soak_s=tick.watch.heat.soak_ms / 1000 if step.soak_ms else None,
        soak_due_s=step.soak_ms / 1000 if step.soak_ms else None,
        open_s=passed_s if step.open_time_min else None,
        open_due_s=step.open_time_min * 60 if step.open_time_min else None,
        cure_s=passed_s if step.cure_h else None,
        cure_due_s=step.cure_h * 3600 if step.cure_h else None,
    )


def _locks(tick: Tick) -> list[Lock]:
    """The iron, and the steps that could not start now on the unit in hand; what is common is said once."""
    locks = []
    against_iron = permit_refusals(tick)
    if against_iron:
        locks.append(Lock(what="iron-power", title="Iron power", reasons=against_iron))
    if attended_run(tick) is not None:
        return [*locks, Lock(what="other-steps", title="Every other step", reasons=["step-running"])]
    against = {step: start_refusals(tick, step.key, tick.durable.in_hand) for step in tick.book.sheet.step}
    first, *others = against.values()
    common = [reason for reason in first if all(reason in reasons for reasons in others)]
    if common:
        locks.append(Lock(what="every-step", title="Every step", reasons=common))
    for step, reasons in against.items():
        own = [reason for reason in reasons if reason not in common]
        if own:
            locks.append(Lock(what=step.key, title=step.title, reasons=own))
    return locks


def _may_start(tick: Tick) -> list[Choice]:
    """The steps that nothing stands against on the unit in hand, and that it has not passed yet."""
    name = tick.durable.in_hand
    unit = tick.durable.units.get(name) if name is not None else None
    if unit is None or attended_run(tick) is not None:
        return []
    return [
        Choice(key=step.key, title=step.title)
        for step in tick.book.sheet.step
        if step.key not in unit.passed and not start_refusals(tick, step.key, name)
    ]


def _alarms(tick: Tick) -> list[AlarmState]:
    """Alarms that are not normal, the most urgent first, then the newest."""
    alarms = []
    for name, life in tick.durable.alarms.items():
        cause = BY_ALARM[name]
        same_boot = life.since.boot == tick.now.boot
        alarms.append(
            AlarmState(
                alarm=name,
                priority=cause.priority,
                state=str(life.state),
                title=cause.title,
                text=cause.action,
                since_s=(tick.now.mono_ms - life.since.mono_ms) / 1000 if same_boot else 0.0,
                standing=tick.stands(name),
            )
        )
    return sorted(alarms, key=lambda alarm: (-PRIORITIES.index(alarm.priority), alarm.since_s))


def _commissioning(tick: Tick) -> CommissioningState | None:
    """Whether the wiring as it is now has been walked through; None where there is none (a replay)."""
    wires, walked, shift = tick.book.wires, tick.durable.commission, tick.durable.shift_check
    if wires is None:
        return None
    reason = None
    if walked is None:
        reason = "never"
    elif walked.wires != wires:
        reason = "wires-changed"
    elif not walked.passed:
        reason = "failed"
    return CommissioningState(
        commissioned=reason is None,
        reason=reason,
        by=walked.by if walked else None,
        at=rfc3339(walked.at.wall_ms) if walked else None,
        shift_passed=shift.passed if shift else None,
        shift_by=shift.by if shift else None,
        shift_at=rfc3339(shift.at.wall_ms) if shift else None,
    )
