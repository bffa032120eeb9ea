"""The clocks of a heat step: time at setpoint inside the band, and the foot from which its rise is judged."""

from msgspec.structs import replace

from shared.sheet import Step
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
