"""Turning an alarm: the transition the table gives, told by the events the table names."""

from collections.abc import Callable

from msgspec.structs import replace

from shared import events
from shared.events import EventBody, Values
from station.rules.alarms import Input, move
from station.rules.causes import Cause
from station.rules.tick import Tick
from station.rules.vapour import lel_share

# Within this of the cold junction a reading says nothing of the plate; the chip's own tolerance.
PINNED_C = 2.0


def turn(
    tick: Tick,
    cause: Cause,
    happening: Input,
    *,
    reason: str = "",
    minutes: float = 0.0,
    by: str | None = None,
) -> bool:
    """Let something happen to an alarm; False where it means nothing in the alarm's state.

    Args:
        tick: under way.
        cause: the alarm's row.
        happening: what happens.
        reason: why, where somebody or something had one.
        minutes: for shelving.
        by: who has it done, where that is not the technician at the bench.
    """
    transition = move(tick.life(cause.alarm), happening, latching=cause.latching)
    if transition is None:
        return False
    for kind in transition.says:
        tick.emit(_TELLING[kind](tick, cause, reason, minutes, by))
    if "alarm-raised" in transition.says and cause.alarm in tick.watch.silenced:
        # Silence was for the last time: raised anew it is heard anew.
        tick.watch = replace(tick.watch, silenced=tick.watch.silenced - {cause.alarm})
    return True


def _raised(tick: Tick, cause: Cause, reason: str, minutes: float, by: str | None) -> EventBody:
    values: Values = {}
    plate_c, current_a = tick.watch.plate.plate_c, tick.reading.extraction.extraction_a
    if plate_c is not None:
        values["plate_c"] = round(plate_c, 2)
    if current_a is not None:
        values["extraction_a"] = round(current_a, 3)
    why = None
    if cause.alarm == "plate-sensor-fault":
        why = str(tick.watch.plate.quality)
    elif cause.alarm == "extraction-sensor-fault":
        why = str(tick.reading.extraction.quality)
    elif cause.alarm == "journal-failing":
        why = tick.reading.health.journal_fault
    elif cause.alarm == "link-down":
        why = tick.reading.health.link_fault
    elif cause.alarm == "plate-not-heating" and _pinned(tick):
        why = "pinned-to-cold-junction"
    if cause.alarm.startswith("vapour"):
        values["vapour_lel_percent"] = round(100 * lel_share(tick.watch.vapour, tick.book.limits.solvent), 1)
    if cause.alarm == "exposure-short-term":
        values["short_term_ppm"] = round(tick.watch.vapour.breathed.short_term_ppm)
    run = tick.run
    return events.AlarmRaised(
        alarm=cause.alarm,
        priority=cause.priority,
        reason=reason or why,
        values=values,
        unit=tick.durable.on_plate if cause.alarm == "heat-budget-spent" else tick.durable.in_hand,
        step=run.step if run is not None else None,
        technician=tick.technician,
    )


def _pinned(tick: Tick) -> bool:
    """Whether the plate reads as its own cold junction: the heater is off, or the leads are shorted."""
    plate_c, junction_c = tick.watch.plate.plate_c, tick.watch.plate.cold_junction_c
    return plate_c is not None and junction_c is not None and abs(plate_c - junction_c) <= PINNED_C


def _acknowledged(tick: Tick, cause: Cause, reason: str, minutes: float, by: str | None) -> EventBody:
    return events.AlarmAcknowledged(alarm=cause.alarm, technician=tick.technician)


def _returned(tick: Tick, cause: Cause, reason: str, minutes: float, by: str | None) -> EventBody:
    return events.AlarmReturned(alarm=cause.alarm, latched=cause.latching)


def _closed(tick: Tick, cause: Cause, reason: str, minutes: float, by: str | None) -> EventBody:
    return events.AlarmClosed(alarm=cause.alarm)


def _shelved(tick: Tick, cause: Cause, reason: str, minutes: float, by: str | None) -> EventBody:
    who = tick.technician
    return events.AlarmShelved(alarm=cause.alarm, minutes=minutes, reason=reason, technician=who)


def _unshelved(tick: Tick, cause: Cause, reason: str, minutes: float, by: str | None) -> EventBody:
    who = tick.technician
    return events.AlarmUnshelved(alarm=cause.alarm, reason=reason, technician=who)


def _suppressed(tick: Tick, cause: Cause, reason: str, minutes: float, by: str | None) -> EventBody:
    return events.AlarmSuppressed(alarm=cause.alarm, reason=reason)


def _unsuppressed(tick: Tick, cause: Cause, reason: str, minutes: float, by: str | None) -> EventBody:
    return events.AlarmUnsuppressed(alarm=cause.alarm)


def _out_of_service(tick: Tick, cause: Cause, reason: str, minutes: float, by: str | None) -> EventBody:
    who = tick.technician
    return events.AlarmOutOfService(alarm=cause.alarm, reason=reason, by=by or "", technician=who)


def _in_service(tick: Tick, cause: Cause, reason: str, minutes: float, by: str | None) -> EventBody:
    return events.AlarmInService(alarm=cause.alarm, by=by or "", technician=tick.technician)


_TELLING: dict[str, Callable[[Tick, Cause, str, float, str | None], EventBody]] = {
    "alarm-raised": _raised,
    "alarm-acknowledged": _acknowledged,
    "alarm-returned": _returned,
    "alarm-closed": _closed,
    "alarm-shelved": _shelved,
    "alarm-unshelved": _unshelved,
    "alarm-suppressed": _suppressed,
    "alarm-unsuppressed": _unsuppressed,
    "alarm-out-of-service": _out_of_service,
    "alarm-in-service": _in_service,
}
