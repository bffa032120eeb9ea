"""The cause-and-effect table: one row per cause, as data; the engine that applies it is in `decide`."""

from collections.abc import Callable
from enum import StrEnum
from typing import NamedTuple

from station.rules import conditions
from station.rules.conditions import Facts
from station.rules.limits import Limits


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


class Cause(NamedTuple):
    """One row of the table.

    Attributes:
        alarm: the alarm's id.
        title: what is wrong, in a few words.
        when: what the condition asks, with the settings' numbers to be filled in by `condition_text`.
        action: what the technician is to do.
        priority: low, medium, high or critical.
        condition: the question.
        on_delay_s: how long it must hold before the cause stands, by the limits.
        off_delay_s: how long it must not before the cause is gone.
        latching: whether the alarm stays until somebody resets it.
        effects: what the cause does besides light, sound and text.
        reasons: the codes with which its effects refuse.
        counts_itself: the condition counts its own on-delay (the sensor fault's, which bad readings with good
            ones between them must not escape).
        suppressed_by: rows that tell the same trouble more urgently; while one of them stands this row's
            light and sound are put aside by design, its effects are not.
    """

    alarm: str
    title: str
    when: str
    action: str
    priority: str
    condition: Callable[[Facts, bool], bool | None]
    on_delay_s: Callable[[Limits], float] = lambda limits: 0.0
    off_delay_s: Callable[[Limits], float] = lambda limits: 0.0
    latching: bool = False
    effects: frozenset[Effect] = frozenset()
    reasons: tuple[str, ...] = ()
    counts_itself: bool = False
    suppressed_by: tuple[str, ...] = ()

    def condition_text(self, limits: Limits) -> str:
        """What the condition asks, with its numbers."""
        return self.when.format(limits=limits)


PRIORITIES = ("low", "medium", "high", "critical")


CAUSES: tuple[Cause, ...] = (
    Cause(
        "plate-sensor-fault",
        "Plate sensor gives no reading",
        "no believable plate reading",
        "Do not trust the plate. Switch the heater off and check the thermocouple's wire and plug.",
        "high",
        conditions.sensor_fault,
        lambda limits: limits.plate.fault_delay_s,
        lambda limits: limits.plate.fault_return_s,
        counts_itself=True,
        effects=frozenset({Effect.REFUSE_HEAT_AND_SOLDER, Effect.HOLD_HEAT, Effect.DROP_PERMIT}),
        reasons=("plate-sensor-fault",),
    ),
    Cause(
        "plate-over-limit",
        "Plate over its limit",
        "plate at {limits.plate.over_limit_c:g} °C or more",
        "Switch the heater off at its plug and lift the panel off with a tool. Find out why, then reset.",
        "critical",
        conditions.over_limit,
        lambda limits: limits.plate.over_limit_delay_s,
        lambda limits: limits.plate.return_delay_s,
        latching=True,
        effects=CRITICAL_EFFECTS | {Effect.HOLD_ANY},
        reasons=("plate-over-limit", "critical-alarm"),
    ),
    Cause(
        "plate-high",
        "Plate above its band",
        "in a heat step, after its setpoint was reached: plate above the band; returns "
        "{limits.plate.return_inside_c:g} °C inside it",
        "Turn the plate down or lift the panel; the soak clock has stopped.",
        "medium",
        conditions.plate_high,
        lambda limits: limits.plate.deviation_delay_s,
        lambda limits: limits.plate.return_delay_s,
        effects=frozenset({Effect.STOP_SOAK}),
    ),
    Cause(
        "plate-low",
        "Plate below its band",
        "in a heat step, after its setpoint was reached: plate below the band; returns "
        "{limits.plate.return_inside_c:g} °C inside it",
        "Check the heater and the vacuum; the soak clock has stopped.",
        "medium",
        conditions.plate_low,
        lambda limits: limits.plate.deviation_delay_s,
        lambda limits: limits.plate.return_delay_s,
        effects=frozenset({Effect.STOP_SOAK}),
    ),
    Cause(
        "plate-not-heating",
        "Plate does not heat up",
        "in a heat step, below the band: less than {limits.plate.not_heating_rise_c:g} °C of rise in "
        "{limits.plate.not_heating_window_min:g} min",
        "Check that the heater is switched on and its setpoint is right.",
        "medium",
        conditions.not_heating,
    ),
    Cause(
        "plate-left-hot",
        "Plate left hot",
        "plate at {limits.plate.left_hot_c:g} °C or more and no heat step running",
        "Switch the heater off if no heat step follows.",
        "low",
        conditions.left_hot,
        lambda limits: limits.plate.left_hot_min * 60,
    ),
    Cause(
        "heat-budget-spent",
        "This panel has been hot for long",
        "the unit on the plate has had more than {limits.plate.budget_min:g} min at "
        "{limits.plate.budget_c:g} °C or more, all placements together",
        "Take the panel off the plate if the work allows; say it in the step's findings.",
        "medium",
        conditions.heat_budget_spent,
    ),
    Cause(
        "extraction-lost",
        "Extraction lost during the step",
        "a step that needs extraction runs, and its proof is lost: under "
        "{limits.extraction.lost_a:g} A, unreadable or a gap for {limits.extraction.lost_s:g} s "
        "(proven at {limits.extraction.proven_a:g} A for {limits.extraction.proof_s:g} s)",
        "Put the iron down and step back from the fume. Bring the extractor back, acknowledge, then resume.",
        "critical",
        conditions.extraction_lost,
        effects=CRITICAL_EFFECTS | {Effect.HOLD_ANY},
        reasons=("critical-alarm",),
    ),
    Cause(
        "extraction-sensor-fault",
        "Extraction current cannot be read",
        "extraction current unreadable or clipped",
        "Extraction counts as not proven. Check the current transformer and its board.",
        "high",
        conditions.extraction_fault,
        lambda limits: limits.extraction.fault_delay_s,
        lambda limits: limits.extraction.fault_delay_s,
    ),
    Cause(
        "extraction-weak",
        "Extraction not as it was learned",
        "proven, but outside the learned band of {limits.extraction.low_a:g} to "
        "{limits.extraction.high_a:g} A (0 to 0: none learned)",
        "Look at filter, hood and duct. If all is well, learn the band anew.",
        "low",
        conditions.extraction_weak,
        lambda limits: limits.extraction.weak_s,
    ),
    Cause(
        "run-on-short",
        "Extractor off too soon after soldering",
        "extractor off within {limits.extraction.run_on_s:g} s after a solder step",
        "Let the extractor run on for two minutes after the iron is down.",
        "low",
        conditions.run_on_short,
    ),
    Cause(
        "solvent-near-heat",
        "Solvent out beside a hot plate",
        "bottle out, plate at {limits.solvent.hot_plate_c:g} °C or more, and no step running that "
        "allows hot solvent",
        "Close the bottle and put it back in its cradle, away from the plate.",
        "high",
        conditions.solvent_near_heat,
        lambda limits: limits.solvent.delay_s,
    ),
    Cause(
        "solvent-unextracted",
        "Solvent out beside a hot plate without extraction",
        "bottle out, plate at {limits.solvent.hot_plate_c:g} °C or more, extraction not proven",
        "Close the bottle now, let the plate cool and air the place. No spark, no iron.",
        "critical",
        conditions.solvent_unextracted,
        lambda limits: limits.solvent.delay_s,
        effects=CRITICAL_EFFECTS,
        reasons=("critical-alarm",),
    ),
    Cause(
        "solvent-at-iron",
        "Solvent out while the iron is in use",
        "bottle out while a solder step runs, or unknown for {limits.solvent.delay_s:g} s whether it is",
        "Put the iron in its stand, close the bottle and put it back in its cradle.",
        "critical",
        conditions.solvent_at_iron,
        effects=CRITICAL_EFFECTS | {Effect.HOLD_ANY},
        reasons=("critical-alarm",),
    ),
    Cause(
        "solvent-left-out",
        "Solvent bottle left out",
        "bottle out of its cradle",
        "Close the bottle and put it back in its cradle.",
        "low",
        conditions.solvent_left_out,
        lambda limits: limits.solvent.left_out_min * 60,
    ),
    Cause(
        "vapour-high",
        "Solvent vapour builds up (estimate)",
        "estimated vapour at {limits.solvent.vapour_high_lel:.0%} of the lower explosive limit or more; "
        "returns {limits.solvent.vapour_deadband_lel:.0%} below",
        "Draw no more solvent, let the extractor run, keep sparks and the iron away.",
        "high",
        conditions.vapour_high,
        off_delay_s=lambda limits: limits.solvent.delay_s,
        suppressed_by=("vapour-critical",),
    ),
    Cause(
        "vapour-critical",
        "Solvent vapour near what burns (estimate)",
        "estimated vapour at {limits.solvent.vapour_critical_lel:.0%} of the lower explosive limit or more; "
        "returns {limits.solvent.vapour_deadband_lel:.0%} below",
        "Close the bottle, step back and air the place. No spark, no iron, switch nothing.",
        "critical",
        conditions.vapour_critical,
        off_delay_s=lambda limits: limits.solvent.delay_s,
        effects=CRITICAL_EFFECTS,
        reasons=("critical-alarm",),
    ),
    Cause(
        "exposure-short-term",
        "Too much vapour breathed in a quarter of an hour (estimate)",
        "estimated 15-min mean over {limits.solvent.in_use.short_term_ppm:g} ppm",
        "Leave the bench to air; go on with less solvent and the extractor running.",
        "medium",
        conditions.exposure_short_term,
    ),
    Cause(
        "open-time-expired",
        "Open time of the adhesive is over",
        "a bond step is open longer than its open time; warned at {limits.alarms.open_time_warning:.0%}",
        "Do not close the frame on this adhesive. Clean it off, abandon the step and bond again.",
        "high",
        conditions.open_time_expired,
    ),
    Cause(
        "journal-failing",
        "The journal cannot be written",
        "the journal cannot be written in time",
        "The bench goes on; records wait in memory, and are lost if the power fails. Check the card and its "
        "free space.",
        "medium",
        conditions.journal_failing,
        lambda limits: limits.alarms.journal_delay_s,
    ),
    Cause(
        "link-down",
        "No link to the broker",
        "the broker cannot be reached",
        "The bench goes on; records wait here until the broker is back.",
        "low",
        conditions.link_down,
        lambda limits: limits.alarms.link_delay_s,
    ),
    Cause(
        "clock-untrusted",
        "The clock is not set",
        "the wall clock is not synchronised",
        "Times of day are not known yet. Check the network, or set the clock.",
        "low",
        conditions.clock_untrusted,
    ),
    Cause(
        "calibration-due",
        "A calibration is due",
        "the last calibration of plate or extraction is older than it may be",
        "Calibrate with benchward calibrate; until then trust the readings less.",
        "low",
        conditions.calibration_due,
    ),
)

BY_ALARM: dict[str, Cause] = {cause.alarm: cause for cause in CAUSES}
