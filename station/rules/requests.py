"""Carrying out requests: one handler a verb, from request to events, or to the reasons against it.

A handler answers with the reasons it refuses for (empty: done). It tells nothing before it knows that
nothing stands against it, so that a refused request changes nothing.
"""

from collections.abc import Callable
from typing import Any, NamedTuple

from msgspec.structs import replace

from shared import events, requests
from shared.requests import Asked, Barred, Unreadable, print_text
from shared.timeline import day_of, days_of
from station.rules.alarms import SOUNDING, WAITING, Input
from station.rules.causes import BY_ALARM
from station.rules.indication import HURRY
from station.rules.interlock import (
    attended_run,
    cure_refusals,
    finish_refusals,
    resume_refusals,
    start_refusals,
    step_warnings,
)
from station.rules.soak import RESTING
from station.rules.state import Life, Run
from station.rules.tick import Tick, elapsed_ms
from station.rules.turn import turn
from station.rules.vapour import dispense

DAY_MS = 86_400_000


class Outcome(NamedTuple):
    """What came of a request: accepted, or every reason against it; and its event's place in the tick."""

    accepted: bool
    reasons: tuple[str, ...]
    event_index: int | None


def carry_out(tick: Tick, asked: Asked) -> Outcome:
    """Carry out one request, or refuse it with an event that says why."""
    before = len(tick.events)
    barred, request = (asked.reasons, asked.request) if isinstance(asked, Barred) else ((), asked)
    if isinstance(request, Unreadable):
        reasons: list[str] = [request.reason]
    else:
        tick.asker = request.by
        reasons = list(barred) or _HANDLERS[type(request)](tick, request)
    if reasons:
        tick.watch = replace(tick.watch, refused_ms=tick.now.mono_ms)
        if not any(isinstance(body, events.StepRefused) for body in tick.events[before:]):
            text = print_text(request)
            detail = request.detail if isinstance(request, Unreadable) else None
            tick.emit(
                events.RequestRefused(
                    request=text, reasons=reasons, detail=detail, technician=tick.technician
                )
            )
    tick.asker = None
    told = len(tick.events) > before
    return Outcome(not reasons, tuple(reasons), len(tick.events) - 1 if told else None)


def _sign_in(tick: Tick, request: requests.SignIn) -> list[str]:
    if tick.durable.technician not in (None, request.technician):
        tick.emit(events.SignedOut(technician=tick.durable.technician))
    tick.emit(events.SignedIn(technician=request.technician))
    return []


def _sign_out(tick: Tick, request: requests.SignOut) -> list[str]:
    if tick.durable.technician is None:
        return ["not-signed-in"]
    tick.emit(events.SignedOut(technician=tick.durable.technician))
    return []


def _book_in(tick: Tick, request: requests.BookIn) -> list[str]:
    reasons = []
    if request.unit in tick.durable.units:
        reasons.append("already-known")
    if attended_run(tick) is not None:
        reasons.append("step-running")
    if not reasons:
        who = tick.technician
        tick.emit(
            events.UnitBookedIn(unit=request.unit, model=request.model, job=request.job, technician=who)
        )
        tick.emit(events.UnitTaken(unit=request.unit, technician=who))
    return reasons


def _take(tick: Tick, request: requests.Take) -> list[str]:
    reasons = []
    if request.unit not in tick.durable.units:
        reasons.append("unknown-unit")
    if attended_run(tick) is not None and request.unit != tick.durable.in_hand:
        reasons.append("step-running")
    if not reasons:
        tick.emit(events.UnitTaken(unit=request.unit, technician=tick.technician))
    return reasons


def _place(tick: Tick, request: requests.Place) -> list[str]:
    unit, on_plate = request.unit or tick.durable.in_hand, tick.durable.on_plate
    if unit is None:
        return ["no-unit"]
    reasons = []
    if unit not in tick.durable.units:
        reasons.append("unknown-unit")
    if on_plate is not None:
        reasons.append("already-placed" if on_plate == unit else "plate-occupied")
    if not reasons:
        tick.emit(events.UnitPlaced(unit=unit, technician=tick.technician))
    return reasons


def _remove(tick: Tick, request: requests.Remove) -> list[str]:
    on_plate = tick.durable.on_plate
    if on_plate is None:
        return ["plate-empty"]
    if request.unit not in (None, on_plate):
        return ["not-on-plate"]
    tick.emit(events.UnitRemoved(unit=on_plate, technician=tick.technician))
    return []


def _refuse_step(tick: Tick, key: str, unit: str | None, request: str, reasons: list[str]) -> list[str]:
    who = tick.technician
    tick.emit(events.StepRefused(step=key, unit=unit, request=request, reasons=reasons, technician=who))
    return reasons


def _start(tick: Tick, request: requests.Start) -> list[str]:
    name = request.unit or tick.durable.in_hand
    reasons = start_refusals(tick, request.step, name)
    step = tick.book.sheet.find(request.step)
    if reasons or name is None or step is None:
        return _refuse_step(tick, request.step, name, "start", reasons)
    who = tick.technician
    if name != tick.durable.in_hand:
        tick.emit(events.UnitTaken(unit=name, technician=who))
    if step.kind == "heat" and tick.durable.on_plate is None:
        tick.emit(events.UnitPlaced(unit=name, technician=who))
    attempt = tick.durable.units[name].attempts.get(step.key, 0) + 1
    limits = {
        "setpoint_c": step.setpoint_c,
        "tolerance_c": step.tolerance_c,
        "soak_min": step.soak_min,
        "open_time_min": step.open_time_min,
        "cure_h": step.cure_h,
    }
    values = {key: value for key, value in limits.items() if value is not None}
    warnings = step_warnings(step, tick.book.uncertainty_c)
    tick.emit(
        events.StepStarted(
            unit=name,
            step=step.key,
            attempt=attempt,
            work=step.kind,
            values=values,
            warnings=warnings,
            technician=who,
        )
    )
    tick.watch = replace(tick.watch, heat=RESTING)
    return []


def _run_values(tick: Tick, run: Run) -> events.Values:
    values: events.Values = {}
    passed_ms = elapsed_ms(run, tick.now)
    if passed_ms is not None:
        values["duration_s"] = passed_ms / 1000
    step = tick.book.sheet.find(run.step)
    if step is not None and step.kind == "heat":
        values["soak_s"] = tick.watch.heat.soak_ms / 1000
    return values


def _after_step(tick: Tick, run: Run) -> None:
    step = tick.book.sheet.find(run.step)
    ended_ms = tick.watch.solder_ended_ms
    if step is not None and step.kind == "solder" and tick.watch.extraction.proven:
        ended_ms = tick.now.mono_ms
    tick.watch = replace(tick.watch, heat=RESTING, solder_ended_ms=ended_ms)


def _finish(tick: Tick, request: requests.Finish) -> list[str]:
    run, unit = tick.run, tick.durable.in_hand
    if unit is None:
        return ["no-unit"]
    if run is None or run.step != request.step or request.unit not in (None, unit):
        return ["step-not-running"]
    reasons = finish_refusals(tick, run, request.result)
    if run.held_by and request.result == "pass":
        return ["step-held", *reasons]
    if reasons:
        return _refuse_step(tick, run.step, unit, "finish", reasons)
    tick.emit(
        events.StepFinished(
            unit=unit,
            step=run.step,
            result=request.result,
            findings=request.findings,
            values=_run_values(tick, run),
            technician=tick.technician,
        )
    )
    _after_step(tick, run)
    return []


def _resume(tick: Tick, request: requests.Resume) -> list[str]:
    run, unit = tick.run, tick.durable.in_hand
    if run is None or unit is None or not run.held_by:
        return ["no-held-step"]
    reasons = resume_refusals(tick, run)
    if not reasons:
        tick.emit(events.StepResumed(unit=unit, step=run.step, technician=tick.technician))
    return reasons


def _abandon(tick: Tick, request: requests.Abandon) -> list[str]:
    run, unit = tick.run, tick.durable.in_hand
    if run is None or unit is None:
        return ["step-not-running"]
    tick.emit(
        events.StepAbandoned(
            unit=unit,
            step=run.step,
            reason=request.reason,
            values=_run_values(tick, run),
            technician=tick.technician,
        )
    )
    _after_step(tick, run)
    return []


def _unseen(tick: Tick) -> set[str]:
    """Alarms raised in this very tick: nobody has seen or heard them yet."""
    return {body.alarm for body in tick.events if isinstance(body, events.AlarmRaised)}


def _turned(tick: Tick, happening: Input, alarm: str | None) -> bool:
    """Let something happen to one alarm, or to all for which it means something; False if to none."""
    names = [name for name in tick.durable.alarms if alarm in (None, name)]
    if happening is Input.ACK:
        names = [name for name in names if name not in _unseen(tick)]
    turned = [turn(tick, BY_ALARM[name], happening) for name in names]
    return any(turned)


def _ack(tick: Tick, request: requests.Ack) -> list[str]:
    if request.alarm is not None and request.alarm not in BY_ALARM:
        return ["unknown-alarm"]
    return [] if _turned(tick, Input.ACK, request.alarm) else ["nothing-to-acknowledge"]


def _silence(tick: Tick, request: requests.Silence) -> list[str]:
    sounding = {name for name, life in tick.durable.alarms.items() if life.state in SOUNDING}
    if tick.hurry:
        sounding.add(HURRY)
    tick.watch = replace(tick.watch, silenced=frozenset(sounding - _unseen(tick)))
    return []


def _reset(tick: Tick, request: requests.Reset) -> list[str]:
    if request.alarm is not None and request.alarm not in BY_ALARM:
        return ["unknown-alarm"]
    if _turned(tick, Input.RESET, request.alarm):
        return []
    reasons = []
    for name, life in tick.durable.alarms.items():
        if request.alarm not in (None, name) or not BY_ALARM[name].latching:
            continue
        if tick.stands(name):
            reasons.append("cause-standing")
        if life.state in (Life.UNACKNOWLEDGED, Life.LATCHED_UNACKNOWLEDGED):
            reasons.append("alarm-unacknowledged")
    return list(dict.fromkeys(reasons)) or ["nothing-to-reset"]


def _shelve(tick: Tick, request: requests.Shelve) -> list[str]:
    cause = BY_ALARM.get(request.alarm)
    if cause is None:
        return ["unknown-alarm"]
    reasons = []
    if cause.priority == "critical":
        reasons.append("critical-not-shelved")
    if request.minutes > tick.book.limits.alarms.shelve_max_min:
        reasons.append("shelved-too-long")
    if tick.technician is None:
        reasons.append("not-signed-in")  # an alarm is put aside by somebody
    run = tick.run
    if run is not None and request.alarm in run.held_by and tick.life(request.alarm) in WAITING:
        reasons.append("alarm-unacknowledged")  # the step it holds goes on only once somebody has seen why
    if reasons:
        return reasons
    shelved = turn(tick, cause, Input.SHELVE, reason=request.reason, minutes=request.minutes)
    return [] if shelved else ["alarm-aside"]


def _unshelve(tick: Tick, request: requests.Unshelve) -> list[str]:
    cause = BY_ALARM.get(request.alarm)
    if cause is None:
        return ["unknown-alarm"]
    return [] if turn(tick, cause, Input.UNSHELVE, reason="asked") else ["not-shelved"]


def _service_refusals(tick: Tick, alarm: str, by: str) -> list[str]:
    cause = BY_ALARM.get(alarm)
    if cause is None:
        return ["unknown-alarm"]
    reasons = []
    if cause.priority == "critical":
        reasons.append("critical-not-out-of-service")
    if by not in tick.book.limits.alarms.authorisers:
        reasons.append("not-authorised")
    return reasons


def _out_of_service(tick: Tick, request: requests.OutOfService) -> list[str]:
    reasons = _service_refusals(tick, request.alarm, request.by)
    if reasons:
        return reasons
    cause = BY_ALARM[request.alarm]
    taken_out = turn(tick, cause, Input.TAKE_OUT, reason=request.reason, by=request.by)
    return [] if taken_out else ["already-out-of-service"]


def _in_service(tick: Tick, request: requests.InService) -> list[str]:
    reasons = _service_refusals(tick, request.alarm, request.by)
    if reasons:
        return reasons
    put_back = turn(tick, BY_ALARM[request.alarm], Input.PUT_BACK, by=request.by)
    return [] if put_back else ["not-out-of-service"]


def _lamp_test(tick: Tick, request: requests.LampTest) -> list[str]:
    if any(life.state in WAITING for life in tick.durable.alarms.values()):
        return ["alarm-unacknowledged"]  # what the light says now is more than a test
    tick.watch = replace(tick.watch, lamp_test_ms=tick.now.mono_ms)
    return []


def _shift_check(tick: Tick, request: requests.ShiftCheck) -> list[str]:
    verdicts = dict(pair.split("=") for pair in request.verdicts.split(","))
    outcomes = set(verdicts.values())
    passed = "passed" in outcomes and "failed" not in outcomes
    tick.emit(events.ShiftChecked(by=request.by, passed=passed, verdicts=verdicts))
    return []


def _sign_review(tick: Tick, request: requests.SignReview) -> list[str]:
    if not _has_been(tick, request.period):
        return ["no-such-period"]
    tick.emit(events.ReviewSigned(period=request.period, head=request.head, technician=request.by))
    return []


def _has_been(tick: Tick, period: str) -> bool:
    """Whether a period's days exist, the last not before the first and, as far as is known, not to come."""
    days = days_of(period)
    if days is None:
        return False
    wall_ms = tick.now.wall_ms
    return wall_ms is None or days[1] <= day_of(wall_ms + DAY_MS)  # some have tomorrow already


def _dispense(tick: Tick, request: requests.Dispense) -> list[str]:
    before_ml = tick.watch.vapour.credit_ml
    vapour = dispense(tick.watch.vapour, request.ml, tick.book.limits.solvent)
    tick.watch = replace(tick.watch, vapour=vapour)
    counted_ml = before_ml - vapour.credit_ml
    values: events.Values = {"ml": request.ml, "added_ml": round(request.ml - counted_ml, 6)}
    tick.emit(events.SolventDispensed(values=values, technician=tick.technician))
    return []


def _close(tick: Tick, request: requests.Close) -> list[str]:
    unit = tick.durable.units.get(request.unit)
    if unit is None:
        return ["unknown-unit"]
    reasons = []
    step = tick.book.sheet.find(unit.run.step) if unit.run is not None else None
    if unit.run is not None and (step is None or step.kind != "cure"):
        reasons.append("step-running")
    if unit.run is not None and request.reason is None:
        # Sent away in its cure it is not what the sheet made of it: that takes a word.
        reasons += cure_refusals(tick, step, unit.run)
    if tick.durable.on_plate == request.unit:
        reasons.append("unit-on-plate")
    if reasons:
        return reasons
    who = tick.technician
    if unit.run is not None:
        tick.emit(
            events.StepAbandoned(unit=request.unit, step=unit.run.step, reason="unit closed", technician=who)
        )
    tick.emit(
        events.UnitClosed(unit=request.unit, outcome=request.outcome, reason=request.reason, technician=who)
    )
    return []


_HANDLERS: dict[type, Callable[[Tick, Any], list[str]]] = {
    requests.SignIn: _sign_in,
    requests.SignOut: _sign_out,
    requests.BookIn: _book_in,
    requests.Take: _take,
    requests.Place: _place,
    requests.Remove: _remove,
    requests.Start: _start,
    requests.Finish: _finish,
    requests.Resume: _resume,
    requests.Abandon: _abandon,
    requests.Ack: _ack,
    requests.Silence: _silence,
    requests.Reset: _reset,
    requests.Shelve: _shelve,
    requests.Unshelve: _unshelve,
    requests.OutOfService: _out_of_service,
    requests.InService: _in_service,
    requests.LampTest: _lamp_test,
    requests.ShiftCheck: _shift_check,
    requests.SignReview: _sign_review,
    requests.Dispense: _dispense,
    requests.Close: _close,
}
