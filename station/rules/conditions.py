"""The questions behind the table of causes, one function a row.

Each asks the facts of a tick and answers True, False, or None where nothing is known, which moves no delay.
It is told whether its cause stands already, so that deadbands live here.
"""

import msgspec

from shared.readings import Health, PlateQuality
from shared.sheet import Step
from shared.timeline import Moment, to_ms
from station.rules.limits import Limits
from station.rules.soak import inside_band
from station.rules.state import ExtractionWatch, HeatWatch, PlateWatch, Run
from station.rules.vapour import VapourWatch, lel_share


class Facts(msgspec.Struct, frozen=True):
    """What the conditions may ask about: this tick's wires and the step of the unit in hand."""

    now: Moment
    limits: Limits
    plate: PlateWatch
    extraction: ExtractionWatch
    extraction_readable: bool
    extraction_a: float | None
    solvent_out: bool | None
    unsure_ms: int
    health: Health
    step: Step | None
    run: Run | None
    heat: HeatWatch
    run_ms: int | None
    solder_ended_ms: int | None
    vapour: VapourWatch
    on_plate_hot_ms: int

    @property
    def running(self) -> Step | None:
        """The step that runs and is not held, or None."""
        return self.step if self.run is not None and not self.run.held_by else None


def sensor_fault(facts: Facts, standing: bool) -> bool | None:
    """No believable reading for long enough, good ones between bad ones counted against them."""
    bad = facts.plate.quality is not PlateQuality.GOOD
    over_ms = facts.plate.bad_ms - to_ms(facts.limits.plate.fault_delay_s)
    return bad if standing else over_ms > 0 or (bad and over_ms == 0)


def over_limit(facts: Facts, standing: bool) -> bool | None:
    """The plate is at its limit or over it."""
    plate_c = facts.plate.plate_c
    return None if plate_c is None else plate_c >= facts.limits.plate.over_limit_c


def _deviation(facts: Facts, standing: bool, sign: int) -> bool | None:
    step, run, plate_c = facts.step, facts.run, facts.plate.plate_c
    if step is None or run is None or step.setpoint_c is None or not run.at_setpoint:
        return False
    if plate_c is None:
        return None
    margin_c = facts.limits.plate.return_inside_c if standing else 0.0
    return sign * (plate_c - step.setpoint_c) > 0 and not inside_band(step, plate_c, margin_c)


def plate_high(facts: Facts, standing: bool) -> bool | None:
    """In a heat step that reached its setpoint, the plate is above its band."""
    return _deviation(facts, standing, +1)


def plate_low(facts: Facts, standing: bool) -> bool | None:
    """In a heat step that reached its setpoint, the plate is below its band."""
    return _deviation(facts, standing, -1)


def not_heating(facts: Facts, standing: bool) -> bool | None:
    """In a heat step, below the band, the plate has not risen enough for long enough."""
    step, foot_c = facts.running, facts.heat.foot_c
    if step is None or step.kind != "heat" or foot_c is None:
        return False
    waited_ms = facts.now.mono_ms - facts.heat.foot_ms
    return waited_ms >= to_ms(facts.limits.plate.not_heating_window_min * 60)


def left_hot(facts: Facts, standing: bool) -> bool | None:
    """The plate is hot and no heat step runs."""
    if facts.running is not None and facts.running.kind == "heat":
        return False
    plate_c = facts.plate.plate_c
    return None if plate_c is None else plate_c >= facts.limits.plate.left_hot_c


def _under(facts: Facts, alarm: str) -> Step | None:
    """The step that runs, or that this very alarm holds: such a cause must outlive its own hold."""
    run = facts.run
    return facts.step if run is not None and (not run.held_by or alarm in run.held_by) else None


def extraction_lost(facts: Facts, standing: bool) -> bool | None:
    """A step that needs extraction runs without its proof."""
    step = _under(facts, "extraction-lost")
    return step is not None and step.needs_extraction and not facts.extraction.proven


def extraction_fault(facts: Facts, standing: bool) -> bool | None:
    """The extraction current cannot be read."""
    return not facts.extraction_readable


def extraction_weak(facts: Facts, standing: bool) -> bool | None:
    """The proven current is outside the learned band: a clogged filter, a slipping motor, an open flap."""
    limits, current_a = facts.limits.extraction, facts.extraction_a
    if not facts.extraction.proven or current_a is None or limits.high_a <= 0:
        return False
    return not limits.low_a <= current_a <= limits.high_a


def calibration_due(facts: Facts, standing: bool) -> bool | None:
    """A calibration is older than it may be."""
    return facts.health.calibration_ok is False


def run_on_short(facts: Facts, standing: bool) -> bool | None:
    """The extractor is off soon after soldering."""
    ended_ms = facts.solder_ended_ms
    off = facts.extraction.below_since_ms is not None and not facts.extraction.proven
    if ended_ms is None or not off:
        return False
    return facts.now.mono_ms - ended_ms < to_ms(facts.limits.extraction.run_on_s)


def _out_beside_heat(facts: Facts, standing: bool) -> bool | None:
    if facts.solvent_out is not True:
        return False if facts.solvent_out is False else None
    plate_c, limits = facts.plate.plate_c, facts.limits.solvent
    hot_c = limits.hot_plate_c - (limits.hot_deadband_c if standing else 0.0)
    return None if plate_c is None else plate_c >= hot_c


def solvent_near_heat(facts: Facts, standing: bool) -> bool | None:
    """The bottle is out beside a hot plate, and no running step allows that."""
    if facts.running is not None and facts.running.solvent == "hot":
        return False
    return _out_beside_heat(facts, standing)


def solvent_unextracted(facts: Facts, standing: bool) -> bool | None:
    """The bottle is out beside a hot plate without proof of extraction."""
    return False if facts.extraction.proven else _out_beside_heat(facts, standing)


def solvent_at_iron(facts: Facts, standing: bool) -> bool | None:
    """The bottle is out while somebody solders, or nobody can tell for a while whether it is."""
    step = _under(facts, "solvent-at-iron")
    if step is None or step.kind != "solder":
        return False
    if facts.solvent_out is None and facts.unsure_ms >= to_ms(facts.limits.solvent.delay_s):
        return True
    return facts.solvent_out


def solvent_left_out(facts: Facts, standing: bool) -> bool | None:
    """The bottle is out."""
    return facts.solvent_out


def heat_budget_spent(facts: Facts, standing: bool) -> bool | None:
    """The unit on the plate has been hot for longer than it may be in all."""
    return facts.on_plate_hot_ms > to_ms(facts.limits.plate.budget_min * 60)


def _vapour_from(facts: Facts, standing: bool, share: float) -> bool:
    limits = facts.limits.solvent
    return lel_share(facts.vapour, limits) >= (share - limits.vapour_deadband_lel if standing else share)


def vapour_high(facts: Facts, standing: bool) -> bool | None:
    """The estimated vapour is a hazard."""
    return _vapour_from(facts, standing, facts.limits.solvent.vapour_high_lel)


def vapour_critical(facts: Facts, standing: bool) -> bool | None:
    """The estimated vapour comes near what burns."""
    return _vapour_from(facts, standing, facts.limits.solvent.vapour_critical_lel)


def exposure_short_term(facts: Facts, standing: bool) -> bool | None:
    """The estimated mean over a quarter of an hour is over the solvent's limit."""
    mean_ppm = facts.vapour.breathed.short_term_ppm
    return mean_ppm > 0 and mean_ppm > facts.limits.solvent.in_use.short_term_ppm


def open_time_expired(facts: Facts, standing: bool) -> bool | None:
    """An adhesive has been open for too long, or nobody can tell for how long."""
    step = facts.step
    if facts.run is None or step is None or step.open_time_min is None:
        return False
    return facts.run_ms is None or facts.run_ms >= to_ms(step.open_time_min * 60)


def journal_failing(facts: Facts, standing: bool) -> bool | None:
    """The journal cannot be written in time."""
    return facts.health.journal_ok is False


def link_down(facts: Facts, standing: bool) -> bool | None:
    """The broker cannot be reached."""
    return facts.health.link_ok is False


def clock_untrusted(facts: Facts, standing: bool) -> bool | None:
    """The wall clock is not synchronised."""
    return facts.health.clock_ok is False
