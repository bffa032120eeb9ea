"""The fold: events into durable state. The only way durable state ever changes.

Kinds that say nothing about durable state (readings, refusals, proof, permit) are left out of the table.
"""

from collections.abc import Callable, Iterable
from typing import Any

from msgspec.structs import replace

from shared import events
from shared.events import Event
from shared.timeline import Moment, parse_rfc3339
from station.rules.alarms import LATCHED, Input, move
from station.rules.state import AlarmLife, Commission, Dating, Durable, Life, Run, ShiftCheck, Unit


def apply(durable: Durable, now: Moment, body: Event) -> Durable:
    """The durable state after one event that happened at ``now``."""
    handler = _HANDLERS.get(type(body))
    return durable if handler is None else handler(durable, now, body)


def fold(history: Iterable[tuple[Moment, Event]], start: Durable | None = None) -> Durable:
    """The durable state after a whole history, oldest event first."""
    durable = start or Durable()
    for moment, body in history:
        durable = apply(durable, moment, body)
    return durable


def _station_started(durable: Durable, now: Moment, body: events.StationStarted) -> Durable:
    return durable if body.settings is None else replace(durable, settings=body.settings)


def _clock_set(durable: Durable, now: Moment, body: events.ClockSet) -> Durable:
    """A clock set back makes what was before look longer ago: of several datings the latest counts."""
    dating = Dating(now.boot, parse_rfc3339(body.wall) - now.mono_ms)
    known = durable.dated
    if known is not None and known.boot == dating.boot and known.offset_ms >= dating.offset_ms:
        return durable
    units = {
        name: unit
        if unit.run is None
        else replace(unit, run=replace(unit.run, started=_latest(unit.run.started, dating)))
        for name, unit in durable.units.items()
    }
    return replace(durable, dated=dating, units=units)


def _latest(moment: Moment, dating: Dating | None) -> Moment:
    """The moment as late as its own date and a dating of its boot have it."""
    if dating is None or dating.boot != moment.boot:
        return moment
    wall_ms = dating.offset_ms + moment.mono_ms
    known_ms = wall_ms if moment.wall_ms is None else max(moment.wall_ms, wall_ms)
    return replace(moment, wall_ms=known_ms)


def _signed_in(durable: Durable, now: Moment, body: events.SignedIn) -> Durable:
    return replace(durable, technician=body.technician)


def _signed_out(durable: Durable, now: Moment, body: events.SignedOut) -> Durable:
    return replace(durable, technician=None)


def _with_unit(durable: Durable, name: str, unit: Unit) -> Durable:
    return replace(durable, units={**durable.units, name: unit})


def _with_run(durable: Durable, name: str, run: Run | None) -> Durable:
    return _with_unit(durable, name, replace(durable.units[name], run=run))


def _booked_in(durable: Durable, now: Moment, body: events.UnitBookedIn) -> Durable:
    return _with_unit(durable, body.unit, Unit(model=body.model, job=body.job))


def _taken(durable: Durable, now: Moment, body: events.UnitTaken) -> Durable:
    return replace(durable, in_hand=body.unit)


def _placed(durable: Durable, now: Moment, body: events.UnitPlaced) -> Durable:
    return replace(durable, on_plate=body.unit)


def _removed(durable: Durable, now: Moment, body: events.UnitRemoved) -> Durable:
    return replace(durable, on_plate=None)


def _closed(durable: Durable, now: Moment, body: events.UnitClosed) -> Durable:
    units = {name: unit for name, unit in durable.units.items() if name != body.unit}
    in_hand = None if durable.in_hand == body.unit else durable.in_hand
    return replace(durable, units=units, in_hand=in_hand)


def _step_started(durable: Durable, now: Moment, body: events.StepStarted) -> Durable:
    unit = durable.units[body.unit]
    started = _latest(now, durable.dated)
    run = Run(step=body.step, attempt=body.attempt, started=started, work=body.work)
    attempts = {**unit.attempts, body.step: body.attempt}
    passed = _without(unit.passed, body.step)  # it is done anew: what it was before counts no more
    return _with_unit(durable, body.unit, replace(unit, passed=passed, attempts=attempts, run=run))


def _without(passed: tuple[str, ...], step: str) -> tuple[str, ...]:
    return tuple(key for key in passed if key != step)


def _step_held(durable: Durable, now: Moment, body: events.StepHeld) -> Durable:
    run = durable.units[body.unit].run
    if run is None:
        return durable
    return _with_run(durable, body.unit, replace(run, held_by=(*run.held_by, body.alarm)))


def _step_resumed(durable: Durable, now: Moment, body: events.StepResumed) -> Durable:
    run = durable.units[body.unit].run
    return durable if run is None else _with_run(durable, body.unit, replace(run, held_by=()))


def _step_finished(durable: Durable, now: Moment, body: events.StepFinished) -> Durable:
    unit = durable.units[body.unit]
    passed = _without(unit.passed, body.step)
    if body.result == "pass":
        passed = (*passed, body.step)
    return _with_unit(durable, body.unit, replace(unit, passed=passed, run=None))


def _step_abandoned(durable: Durable, now: Moment, body: events.StepAbandoned) -> Durable:
    return _with_run(durable, body.unit, None)


def _at_setpoint(durable: Durable, now: Moment, body: events.PlateAtSetpoint) -> Durable:
    run = durable.units[body.unit].run
    return durable if run is None else _with_run(durable, body.unit, replace(run, at_setpoint=True))


def _with_alarm(durable: Durable, alarm: str, life: AlarmLife | None) -> Durable:
    alarms = {name: old for name, old in durable.alarms.items() if name != alarm}
    if life is not None:
        alarms[alarm] = life
    return replace(durable, alarms=alarms)


def _raised(durable: Durable, now: Moment, body: events.AlarmRaised) -> Durable:
    return _with_alarm(durable, body.alarm, AlarmLife(Life.UNACKNOWLEDGED, now))


def _moved(durable: Durable, now: Moment, alarm: str, happening: Input, latching: bool) -> Durable:
    """Follow the alarm table; its transitions to normal are told by an event of their own."""
    life = durable.alarms.get(alarm)
    transition = None if life is None else move(life.state, happening, latching=latching)
    if transition is None:
        return durable
    state = None if transition.to is Life.NORMAL else AlarmLife(transition.to, now)
    return _with_alarm(durable, alarm, state)


def _acknowledged(durable: Durable, now: Moment, body: events.AlarmAcknowledged) -> Durable:
    latched = body.alarm in durable.alarms and durable.alarms[body.alarm].state in LATCHED
    return _moved(durable, now, body.alarm, Input.ACK, latched)


def _returned(durable: Durable, now: Moment, body: events.AlarmReturned) -> Durable:
    return _moved(durable, now, body.alarm, Input.RETURN, body.latched)


def _alarm_closed(durable: Durable, now: Moment, body: events.AlarmClosed) -> Durable:
    return _with_alarm(durable, body.alarm, None)


def _shelved(durable: Durable, now: Moment, body: events.AlarmShelved) -> Durable:
    return _with_alarm(durable, body.alarm, AlarmLife(Life.SHELVED, now, body.minutes))


def _suppressed(durable: Durable, now: Moment, body: events.AlarmSuppressed) -> Durable:
    return _with_alarm(durable, body.alarm, AlarmLife(Life.SUPPRESSED, now))


def _out_of_service(durable: Durable, now: Moment, body: events.AlarmOutOfService) -> Durable:
    return _with_alarm(durable, body.alarm, AlarmLife(Life.OUT_OF_SERVICE, now))


def _commissioned(durable: Durable, now: Moment, body: events.Commissioned) -> Durable:
    return replace(durable, commission=Commission(body.by, body.passed, body.wires, now))


def _shift_checked(durable: Durable, now: Moment, body: events.ShiftChecked) -> Durable:
    return replace(durable, shift_check=ShiftCheck(body.by, body.passed, now))


_HANDLERS: dict[type[Event], Callable[[Durable, Moment, Any], Durable]] = {
    events.StationStarted: _station_started,
    events.ClockSet: _clock_set,
    events.SignedIn: _signed_in,
    events.SignedOut: _signed_out,
    events.UnitBookedIn: _booked_in,
    events.UnitTaken: _taken,
    events.UnitPlaced: _placed,
    events.UnitRemoved: _removed,
    events.UnitClosed: _closed,
    events.StepStarted: _step_started,
    events.StepHeld: _step_held,
    events.StepResumed: _step_resumed,
    events.StepFinished: _step_finished,
    events.StepAbandoned: _step_abandoned,
    events.PlateAtSetpoint: _at_setpoint,
    events.AlarmRaised: _raised,
    events.AlarmAcknowledged: _acknowledged,
    events.AlarmReturned: _returned,
    events.AlarmClosed: _alarm_closed,
    events.AlarmShelved: _shelved,
    events.AlarmUnshelved: _alarm_closed,
    events.AlarmSuppressed: _suppressed,
    events.AlarmUnsuppressed: _alarm_closed,
    events.AlarmOutOfService: _out_of_service,
    events.AlarmInService: _alarm_closed,
    events.Commissioned: _commissioned,
    events.ShiftChecked: _shift_checked,
}
