"""The clocks of a heat step: time at setpoint inside the band, and the foot from which its rise is judged."""

from collections.abc import Iterable
from typing import NamedTuple

from msgspec.structs import replace

from shared import events
from shared.events import Event
from shared.messages import Second
from shared.sheet import Step
from shared.timeline import Moment
from station.rules.state import HeatWatch, Run

RESTING = HeatWatch()


def inside_band(step: Step, plate_c: float, margin_c: float = 0.0) -> bool:
    """Whether the plate is inside setpoint ± (tolerance − margin), edges included."""
    if step.setpoint_c is None or step.tolerance_c is None:
        return False
    return abs(plate_c - step.setpoint_c) <= step.tolerance_c - margin_c


def reaches_setpoint(step: Step, before_c: float | None, plate_c: float) -> bool:
    """Whether the plate is inside the band now, or went through it from below since the last tick."""
    if step.setpoint_c is None or step.tolerance_c is None:
        return False
    through = before_c is not None and before_c < step.setpoint_c <= plate_c
    return through or inside_band(step, plate_c)


def watch_heat(
    watch: HeatWatch,
    step: Step,
    run: Run,
    plate_c: float | None,
    now_ms: int,
    passed_ms: int,
    stopped: bool,
    rise_c: float,
) -> HeatWatch:
    """The clocks after one more tick.

    Args:
        watch: the clocks before.
        step: the heat step of the sheet.
        run: the run of it.
        plate_c: the plate, or None with no valid reading: the soak does not count and the foot stays.
        now_ms: this tick.
        passed_ms: time since the last tick; 0 after a gap, which is never counted as soak.
        stopped: something stops the soak clock: an alarm, or a unit that does not lie on the plate.
        rise_c: how far above the foot the plate must come for the foot to move up to it.
    """
    soak_ms = watch.soak_ms
    if plate_c is None:
        return replace(watch, inside=False)
    inside = inside_band(step, plate_c)
    if run.at_setpoint and not run.held_by and not stopped and inside and watch.inside:
        soak_ms += passed_ms
    foot_c, foot_ms = watch.foot_c, watch.foot_ms
    below = step.setpoint_c is not None and plate_c < step.setpoint_c - (step.tolerance_c or 0.0)
    if not below or run.held_by or foot_c is None or plate_c >= foot_c + rise_c:
        foot_c, foot_ms = plate_c, now_ms
    elif plate_c < foot_c:
        foot_c = plate_c
    start_c = plate_c if watch.start_c is None else watch.start_c
    return HeatWatch(soak_ms, inside, start_c, foot_c, foot_ms)


class Stretch(NamedTuple):
    """A stretch of a boot in which the soak clock could run; ``to_ms`` None: to the end of that boot."""

    boot: str
    from_ms: int
    to_ms: int | None


def soaking(told: Iterable[tuple[Moment, Event]], unit: str, run: Run) -> list[Stretch]:
    """When the soak clock of a run could run, by the events: on the plate, at its setpoint, not held.

    Args:
        told: the unit's events since the run began, oldest first.
        unit: on which the run is.
        run: of a heat step.
    """
    found: list[Stretch] = []
    reached = held = False
    lies, since = True, None
    for moment, body in told:
        match body:
            case events.PlateAtSetpoint(step=run.step):
                reached = True
            case events.StepHeld(step=run.step):
                held = True
            case events.StepResumed(step=run.step):
                held = False
            case events.UnitRemoved(unit=of) if of == unit:
                lies = False
            case events.UnitPlaced(unit=of) if of == unit:
                lies = True
        runs = reached and lies and not held
        if runs and since is None:
            since = moment
        elif not runs and since is not None:
            ended_ms = moment.mono_ms if moment.boot == since.boot else None
            found.append(Stretch(since.boot, since.mono_ms, ended_ms))
            since = None
    return found if since is None else [*found, Stretch(since.boot, since.mono_ms, None)]


def recall_soak(stretches: Iterable[Stretch], seconds: Iterable[Second], step: Step) -> int:
    """The soak that the record shows, in ms: whole known seconds wholly inside the band and a stretch."""
    spans = list(stretches)
    whole = [
        second
        for second in seconds
        if second.valid_ms == 1000
        and second.plate_min_c is not None
        and second.plate_max_c is not None
        and inside_band(step, second.plate_min_c)
        and inside_band(step, second.plate_max_c)
    ]
    return 1000 * sum(any(_holds(span, second) for span in spans) for second in whole)


def _holds(span: Stretch, second: Second) -> bool:
    begin_ms = second.second * 1000
    ended = span.to_ms is not None and begin_ms + 1000 > span.to_ms
    return span.boot == second.boot and begin_ms >= span.from_ms and not ended
