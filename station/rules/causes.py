"""The cause-and-effect table: one row per cause, as data; the engine that applies it is in `decide`.

A condition is a pure question to the facts of a tick. It answers True, False, or None where nothing is known,
which moves no delay. It is told whether its cause stands already, so that deadbands live in the row.
"""

from collections.abc import Callable
from enum import StrEnum
from typing import NamedTuple

import msgspec

from shared.readings import Health, PlateQuality
from shared.sheet import Step
from shared.timeline import Moment, to_ms
from station.rules.limits import Limits
from station.rules.soak import inside_band
from station.rules.state import ExtractionWatch, HeatWatch, PlateWatch, Run


class Effect(StrEnum):
    """What a standing cause does, besides its light, sound and text."""

    REFUSE_ALL = "refuse every start"
    REFUSE_HEAT_AND_SOLDER = "refuse heat and solder starts"
    HOLD_ANY = "hold the step"
    HOLD_HEAT = "hold a heat step"
    STOP_SOAK = "stop the soak clock"
    DROP_PERMIT = "drop the permit"


# What every critical alarm does until it is acknowledged and gone: nothing starts, and the iron stays dead.
CRITICAL_EFFECTS = frozenset({Effect.REFUSE_ALL, Effect.DROP_PERMIT})


class Facts(msgspec.Struct, frozen=True):
    """What the conditions may ask about: this tick's wires and the step of the unit in hand."""

    now: Moment
    limits: Limits
    plate: PlateWatch
    extraction: ExtractionWatch
    extraction_readable: bool
    solvent_out: bool | None
    health: Health
    step: Step | None
    run: Run | None
    heat: HeatWatch
    run_ms: int | None
    solder_ended_ms: int | None

    @property
    def running(self) -> Step | None:
        """The step that runs and is not held, or None."""
        return self.step if self.run is not None and not self.run.held_by else None


class Cause(NamedTuple):
    """One row. Delays in seconds are read from the limits; ``action`` tells the technician what to do.

    ``reasons``: the codes with which its effects refuse. ``counts_itself``: the condition counts its own
    on-delay (the sensor fault's, which bad readings with good ones between them must not escape).
    """

    alarm: str
    title: str
    action: str
    priority: str
    condition: Callable[[Facts, bool], bool | None]
    on_delay_s: Callable[[Limits], float] = lambda limits: 0.0
    off_delay_s: Callable[[Limits], float] = lambda limits: 0.0
    latching: bool = False
    effects: frozenset[Effect] = frozenset()
    reasons: tuple[str, ...] = ()
    counts_itself: bool = False


PRIORITIES = ("low", "medium", "high", "critical")


def _sensor_fault(facts: Facts, standing: bool) -> bool | None:
    bad = facts.plate.quality is not PlateQuality.GOOD
    over_ms = facts.plate.bad_ms - to_ms(facts.limits.plate.fault_delay_s)
    return bad if standing else over_ms > 0 or (bad and over_ms == 0)


def _over_limit(facts: Facts, standing: bool) -> bool | None:
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


def _plate_high(facts: Facts, standing: bool) -> bool | None:
    return _deviation(facts, standing, +1)


def _plate_low(facts: Facts, standing: bool) -> bool | None:
    return _deviation(facts, standing, -1)


def _not_heating(facts: Facts, standing: bool) -> bool | None:
    step, foot_c = facts.running, facts.heat.foot_c
    if step is None or step.kind != "heat" or foot_c is None:
        return False
    waited_ms = facts.now.mono_ms - facts.heat.foot_ms
    return waited_ms >= to_ms(facts.limits.plate.not_heating_window_min * 60)


def _left_hot(facts: Facts, standing: bool) -> bool | None:
    if facts.running is not None and facts.running.kind == "heat":
        return False
    plate_c = facts.plate.plate_c
    return None if plate_c is None else plate_c >= facts.limits.plate.left_hot_c


def _under(facts: Facts, alarm: str) -> Step | None:
    """The step that runs, or that this very alarm holds: such a cause must outlive its own hold."""
    run = facts.run
    return facts.step if run is not None and (not run.held_by or alarm in run.held_by) else None


def _extraction_lost(facts: Facts, standing: bool) -> bool | None:
    step = _under(facts, "extraction-lost")
    return step is not None and step.needs_extraction and not facts.extraction.proven


def _extraction_fault(facts: Facts, standing: bool) -> bool | None:
    return not facts.extraction_readable


def _run_on_short(facts: Facts, standing: bool) -> bool | None:
    ended_ms = facts.solder_ended_ms
    off = facts.extraction.below_since_ms is not None and not facts.extraction.proven
    if ended_ms is None or not off:
        return False
    return facts.now.mono_ms - ended_ms < to_ms(facts.limits.extraction.run_on_s)


def _out_beside_heat(facts: Facts) -> bool | None:
    if facts.solvent_out is not True:
        return False if facts.solvent_out is False else None
    plate_c = facts.plate.plate_c
    return None if plate_c is None else plate_c >= facts.limits.solvent.hot_plate_c


def _solvent_near_heat(facts: Facts, standing: bool) -> bool | None:
    if facts.running is not None and facts.running.solvent == "hot":
        return False
    return _out_beside_heat(facts)


def _solvent_unextracted(facts: Facts, standing: bool) -> bool | None:
    return False if facts.extraction.proven else _out_beside_heat(facts)


def _solvent_at_iron(facts: Facts, standing: bool) -> bool | None:
    step = _under(facts, "solvent-at-iron")
    if step is None or step.kind != "solder":
        return False
    return facts.solvent_out


def _solvent_left_out(facts: Facts, standing: bool) -> bool | None:
    return facts.solvent_out


def _open_time_expired(facts: Facts, standing: bool) -> bool | None:
    step = facts.step
    if facts.run is None or step is None or step.open_time_min is None:
        return False
    return facts.run_ms is None or facts.run_ms >= to_ms(step.open_time_min * 60)


def _journal_failing(facts: Facts, standing: bool) -> bool | None:
    return facts.health.journal_ok is False


def _link_down(facts: Facts, standing: bool) -> bool | None:
    return facts.health.link_ok is False


def _clock_untrusted(facts: Facts, standing: bool) -> bool | None:
    return facts.health.clock_ok is False


CAUSES: tuple[Cause, ...] = (
    Cause(
        "plate-sensor-fault",
        "Plate sensor gives no reading",
        "Do not trust the plate. Switch the heater off and check the thermocouple's wire and plug.",
        "high",
        _sensor_fault,
        lambda limits: limits.plate.fault_delay_s,
        lambda limits: limits.plate.fault_return_s,
        counts_itself=True,
        effects=frozenset({Effect.REFUSE_HEAT_AND_SOLDER, Effect.HOLD_HEAT, Effect.DROP_PERMIT}),
        reasons=("plate-sensor-fault",),
    ),
    Cause(
        "plate-over-limit",
        "Plate over its limit",
        "Switch the heater off at its plug and lift the panel off with a tool. Find out why, then reset.",
        "critical",
        _over_limit,
        lambda limits: limits.plate.over_limit_delay_s,
        lambda limits: limits.plate.return_delay_s,
        latching=True,
        effects=CRITICAL_EFFECTS | {Effect.HOLD_ANY},
        reasons=("plate-over-limit", "critical-alarm"),
    ),
    Cause(
        "plate-high",
        "Plate above its band",
        "Turn the plate down or lift the panel; the soak clock has stopped.",
        "medium",
        _plate_high,
        lambda limits: limits.plate.deviation_delay_s,
        lambda limits: limits.plate.return_delay_s,
        effects=frozenset({Effect.STOP_SOAK}),
    ),
    Cause(
        "plate-low",
        "Plate below its band",
        "Check the heater and the vacuum; the soak clock has stopped.",
        "medium",
        _plate_low,
        lambda limits: limits.plate.deviation_delay_s,
        lambda limits: limits.plate.return_delay_s,
        effects=frozenset({Effect.STOP_SOAK}),
    ),
    Cause(
        "plate-not-heating",
        "Plate does not heat up",
        "Check that the heater is switched on and its setpoint is right.",
        "medium",
        _not_heating,
    ),
    Cause(
        "plate-left-hot",
        "Plate left hot",
        "Switch the heater off if no heat step follows.",
        "low",
        _left_hot,
        lambda limits: limits.plate.left_hot_min * 60,
    ),
    Cause(
        "extraction-lost",
        "Extraction lost during the step",
        "Put the iron down and step back from the fume. Bring the extractor back, acknowledge, then resume.",
        "critical",
        _extraction_lost,
        effects=CRITICAL_EFFECTS | {Effect.HOLD_ANY},
        reasons=("critical-alarm",),
    ),
    Cause(
        "extraction-sensor-fault",
        "Extraction current cannot be read",
        "Extraction counts as not proven. Check the current transformer and its board.",
        "high",
        _extraction_fault,
        lambda limits: limits.extraction.fault_delay_s,
        lambda limits: limits.extraction.fault_delay_s,
    ),
    Cause(
        "run-on-short",
        "Extractor off too soon after soldering",
        "Let the extractor run on for two minutes after the iron is down.",
        "low",
        _run_on_short,
    ),
    Cause(
        "solvent-near-heat",
        "Solvent out beside a hot plate",
        "Close the bottle and put it back in its cradle, away from the plate.",
        "high",
        _solvent_near_heat,
        lambda limits: limits.solvent.delay_s,
    ),
    Cause(
        "solvent-unextracted",
        "Solvent out beside a hot plate without extraction",
        "Close the bottle now, let the plate cool and air the place. No spark, no iron.",
        "critical",
        _solvent_unextracted,
        lambda limits: limits.solvent.delay_s,
        effects=CRITICAL_EFFECTS,
        reasons=("critical-alarm",),
    ),
    Cause(
        "solvent-at-iron",
        "Solvent out while the iron is in use",
        "Put the iron in its stand, close the bottle and put it back in its cradle.",
        "critical",
        _solvent_at_iron,
        effects=CRITICAL_EFFECTS | {Effect.HOLD_ANY},
        reasons=("critical-alarm",),
    ),
    Cause(
        "solvent-left-out",
        "Solvent bottle left out",
        "Close the bottle and put it back in its cradle.",
        "low",
        _solvent_left_out,
        lambda limits: limits.solvent.left_out_min * 60,
    ),
    Cause(
        "open-time-expired",
        "Open time of the adhesive is over",
        "Do not close the frame on this adhesive. Clean it off, abandon the step and bond again.",
        "high",
        _open_time_expired,
    ),
    Cause(
        "journal-failing",
        "The journal cannot be written",
        "The bench goes on, but nothing is recorded. Check the card and its free space.",
        "medium",
        _journal_failing,
        lambda limits: limits.alarms.journal_delay_s,
    ),
    Cause(
        "link-down",
        "No link to the broker",
        "The bench goes on; records wait here until the broker is back.",
        "low",
        _link_down,
        lambda limits: limits.alarms.link_delay_s,
    ),
    Cause(
        "clock-untrusted",
        "The clock is not set",
        "Times of day are not known yet. Check the network, or set the clock.",
        "low",
        _clock_untrusted,
    ),
)

BY_ALARM: dict[str, Cause] = {cause.alarm: cause for cause in CAUSES}
