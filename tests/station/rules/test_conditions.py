"""Each question of the table of causes, at the edges of its answer; None where nothing is known.

The numbers are those of the default limits (`benchward rules` prints them); the solvent's explosive limit,
2 % by volume, and its short-term limit, 500 ppm, have their sources in `station/rules/solvents.py`.
"""

import pytest

from shared.readings import Health, PlateQuality
from shared.sheet import Step
from shared.timeline import Moment
from station.rules import conditions
from station.rules.causes import CAUSES
from station.rules.conditions import Facts
from station.rules.limits import ExtractionLimits, Limits
from station.rules.state import ExtractionWatch, HeatWatch, PlateWatch, Run
from station.rules.vapour import Air, Breathed, VapourWatch

NOW = Moment("b", 1_000_000)
BEGUN = Moment("b", 900_000)
HEAT = Step(key="warm", title="Warm", kind="heat", setpoint_c=100.0, tolerance_c=5.0)
SOLDER = Step(key="flex", title="Flex", kind="solder")
STRIP = Step(key="strip", title="Strip", kind="other", extraction=True)
SOAK_OFF = Step(
    key="soak-off", title="Soak off", kind="heat", setpoint_c=80.0, tolerance_c=5.0, solvent="hot"
)
WIPE = Step(key="wipe", title="Wipe", kind="other", solvent="cold")
BOND = Step(key="bond", title="Bond", kind="bond", open_time_min=5.0)
BAND = Limits(extraction=ExtractionLimits(low_a=0.38, high_a=0.45))
DEFAULT, AT_REST = Limits(), HeatWatch()
UNPROVEN, PROVEN = ExtractionWatch(), ExtractionWatch(proven=True)
OFF = ExtractionWatch(below_since_ms=999_000)
LEL_PPM = 20_000


def facts(
    *,
    plate_c=25.0,
    quality=PlateQuality.GOOD,
    bad_ms=0,
    extraction=UNPROVEN,
    readable=True,
    amps=0.42,
    out=False,
    unsure_ms=0,
    step=None,
    held_by=(),
    at_setpoint=False,
    running=True,
    heat=AT_REST,
    run_ms=0,
    ended_ms=None,
    vapour_ppm=0.0,
    minutes=(0.0,),
    hot_ms=0,
    limits=DEFAULT,
    **health,
) -> Facts:
    """A bench at rest, but for what is said."""
    run = None
    if step is not None and running:
        run = Run(step.key, 1, BEGUN, held_by=held_by, at_setpoint=at_setpoint)
    return Facts(
        now=NOW,
        limits=limits,
        plate=PlateWatch(plate_c=plate_c, quality=quality, bad_ms=bad_ms),
        extraction=extraction,
        extraction_readable=readable,
        extraction_a=amps,
        solvent_out=out,
        unsure_ms=unsure_ms,
        health=Health(**health),
        step=step,
        run=run,
        heat=heat,
        run_ms=run_ms,
        solder_ended_ms=ended_ms,
        vapour=VapourWatch(Air(vapour_ppm=vapour_ppm), Breathed(minutes=minutes)),
        on_plate_hot_ms=hot_ms,
    )


def waiting(foot_ms):
    """A heat step whose foot lies there."""
    return {"step": HEAT, "heat": HeatWatch(foot_c=25.0, foot_ms=foot_ms)}


UNKNOWN = {"plate_c": None, "quality": PlateQuality.OPEN}
AT = {"step": HEAT, "at_setpoint": True}
# alarm, what is so, whether its cause stood before, the answer
ROWS = [
    ("plate-sensor-fault", {"bad_ms": 499, **UNKNOWN}, False, False),
    ("plate-sensor-fault", {"bad_ms": 500, **UNKNOWN}, False, True),
    ("plate-sensor-fault", {"bad_ms": 500}, False, False),
    ("plate-sensor-fault", {"bad_ms": 501}, False, True),
    ("plate-sensor-fault", {"bad_ms": 501}, True, False),
    ("plate-sensor-fault", {"bad_ms": 0, **UNKNOWN}, True, True),
    ("plate-over-limit", {"plate_c": 129.99}, False, False),
    ("plate-over-limit", {"plate_c": 130.0}, False, True),
    ("plate-over-limit", UNKNOWN, False, None),
    ("plate-high", {"plate_c": 105.0, **AT}, False, False),
    ("plate-high", {"plate_c": 105.01, **AT}, False, True),
    ("plate-high", {"plate_c": 94.0, **AT}, False, False),
    ("plate-high", {"plate_c": 104.51, **AT}, True, True),
    ("plate-high", {"plate_c": 104.5, **AT}, True, False),
    ("plate-high", {"plate_c": 106.0, "step": HEAT}, False, False),
    ("plate-high", {"plate_c": 106.0}, False, False),
    ("plate-high", {"plate_c": 106.0, "step": BOND, "at_setpoint": True}, False, False),
    ("plate-high", {"plate_c": 106.0, "step": HEAT, "running": False}, False, False),
    ("plate-high", {**UNKNOWN, **AT}, False, None),
    ("plate-low", {"plate_c": 95.0, **AT}, False, False),
    ("plate-low", {"plate_c": 94.99, **AT}, False, True),
    ("plate-low", {"plate_c": 106.0, **AT}, False, False),
    ("plate-low", {"plate_c": 95.49, **AT}, True, True),
    ("plate-low", {"plate_c": 95.5, **AT}, True, False),
    ("plate-low", {**UNKNOWN, **AT}, False, None),
    ("plate-not-heating", waiting(820_001), False, False),
    ("plate-not-heating", waiting(820_000), False, True),
    ("plate-not-heating", {**waiting(820_000), "held_by": ("plate-low",)}, False, False),
    ("plate-not-heating", {**waiting(820_000), "step": BOND}, False, False),
    ("plate-not-heating", {"step": HEAT}, False, False),
    ("plate-left-hot", {"plate_c": 49.99}, False, False),
    ("plate-left-hot", {"plate_c": 50.0}, False, True),
    ("plate-left-hot", {"plate_c": 50.0, "step": BOND}, False, True),
    ("plate-left-hot", {"plate_c": 50.0, "step": HEAT}, False, False),
    ("plate-left-hot", {"plate_c": 50.0, "step": HEAT, "held_by": ("plate-low",)}, False, True),
    ("plate-left-hot", UNKNOWN, False, None),
    ("extraction-lost", {"step": SOLDER}, False, True),
    ("extraction-lost", {"step": STRIP}, False, True),
    ("extraction-lost", {"step": BOND}, False, False),
    ("extraction-lost", {"step": SOLDER, "extraction": PROVEN}, False, False),
    ("extraction-lost", {"step": SOLDER, "held_by": ("extraction-lost",)}, True, True),
    ("extraction-lost", {"step": SOLDER, "held_by": ("plate-sensor-fault",)}, True, False),
    ("extraction-lost", {"step": SOLDER, "running": False}, True, False),
    ("extraction-sensor-fault", {"readable": False}, False, True),
    ("extraction-sensor-fault", {}, True, False),
    ("extraction-weak", {"extraction": PROVEN, "limits": BAND, "amps": 0.379}, False, True),
    ("extraction-weak", {"extraction": PROVEN, "limits": BAND, "amps": 0.38}, False, False),
    ("extraction-weak", {"extraction": PROVEN, "limits": BAND, "amps": 0.45}, False, False),
    ("extraction-weak", {"extraction": PROVEN, "limits": BAND, "amps": 0.451}, False, True),
    ("extraction-weak", {"extraction": PROVEN, "limits": BAND, "amps": None}, False, False),
    ("extraction-weak", {"limits": BAND, "amps": 0.1}, False, False),
    ("extraction-weak", {"extraction": PROVEN, "amps": 0.1}, False, False),
    ("calibration-due", {"calibration_ok": False}, False, True),
    ("calibration-due", {"calibration_ok": True}, False, False),
    ("calibration-due", {}, False, False),
    ("run-on-short", {"ended_ms": 880_001, "extraction": OFF}, False, True),
    ("run-on-short", {"ended_ms": 880_000, "extraction": OFF}, False, False),
    ("run-on-short", {"extraction": OFF}, False, False),
    ("run-on-short", {"ended_ms": 990_000}, False, False),
    (
        "run-on-short",
        {"ended_ms": 990_000, "extraction": ExtractionWatch(proven=True, below_since_ms=999_900)},
        False,
        False,
    ),
    ("solvent-near-heat", {"out": True, "plate_c": 39.99}, False, False),
    ("solvent-near-heat", {"out": True, "plate_c": 40.0}, False, True),
    ("solvent-near-heat", {"out": True, "plate_c": 38.0}, True, True),
    ("solvent-near-heat", {"out": True, "plate_c": 37.99}, True, False),
    ("solvent-near-heat", {"out": True, "plate_c": 90.0, "step": SOAK_OFF}, False, False),
    ("solvent-near-heat", {"out": True, "plate_c": 90.0, "step": SOAK_OFF, "held_by": ("x",)}, False, True),
    ("solvent-near-heat", {"out": True, "plate_c": 90.0, "step": WIPE}, False, True),
    ("solvent-near-heat", {"out": False, "plate_c": 90.0}, False, False),
    ("solvent-near-heat", {"out": None, "plate_c": 90.0}, False, None),
    ("solvent-near-heat", {"out": True, **UNKNOWN}, False, None),
    ("solvent-unextracted", {"out": True, "plate_c": 40.0}, False, True),
    ("solvent-unextracted", {"out": True, "plate_c": 40.0, "extraction": PROVEN}, False, False),
    ("solvent-unextracted", {"out": True, "plate_c": 90.0, "step": SOAK_OFF}, False, True),
    ("solvent-unextracted", {"out": True, "plate_c": 38.0}, True, True),
    ("solvent-at-iron", {"out": True, "step": SOLDER}, False, True),
    ("solvent-at-iron", {"out": False, "step": SOLDER}, False, False),
    ("solvent-at-iron", {"out": None, "step": SOLDER, "unsure_ms": 999}, False, None),
    ("solvent-at-iron", {"out": None, "step": SOLDER, "unsure_ms": 1000}, False, True),
    ("solvent-at-iron", {"out": True, "step": BOND}, False, False),
    ("solvent-at-iron", {"out": True, "step": SOLDER, "held_by": ("solvent-at-iron",)}, True, True),
    ("solvent-at-iron", {"out": True, "step": SOLDER, "held_by": ("extraction-lost",)}, True, False),
    ("solvent-at-iron", {"out": True}, False, False),
    ("solvent-left-out", {"out": True}, False, True),
    ("solvent-left-out", {"out": False}, True, False),
    ("solvent-left-out", {"out": None}, True, None),
    ("heat-budget-spent", {"hot_ms": 3_600_000}, False, False),
    ("heat-budget-spent", {"hot_ms": 3_600_001}, False, True),
    ("vapour-high", {"vapour_ppm": 0.1 * LEL_PPM - 1}, False, False),
    ("vapour-high", {"vapour_ppm": 0.1 * LEL_PPM}, False, True),
    ("vapour-high", {"vapour_ppm": 0.09 * LEL_PPM + 1}, True, True),
    ("vapour-high", {"vapour_ppm": 0.09 * LEL_PPM - 1}, True, False),
    ("vapour-critical", {"vapour_ppm": 0.25 * LEL_PPM - 1}, False, False),
    ("vapour-critical", {"vapour_ppm": 0.25 * LEL_PPM}, False, True),
    ("vapour-critical", {"vapour_ppm": 0.24 * LEL_PPM + 1}, True, True),
    ("vapour-critical", {"vapour_ppm": 0.24 * LEL_PPM - 1}, True, False),
    ("exposure-short-term", {"minutes": (500.0 * 900,)}, False, False),
    ("exposure-short-term", {"minutes": (500.0 * 900, 1.0)}, False, True),
    ("open-time-expired", {"step": BOND, "run_ms": 299_999}, False, False),
    ("open-time-expired", {"step": BOND, "run_ms": 300_000}, False, True),
    ("open-time-expired", {"step": BOND, "run_ms": None}, False, True),
    ("open-time-expired", {"step": HEAT, "run_ms": 300_000}, False, False),
    ("open-time-expired", {"step": BOND, "running": False, "run_ms": None}, False, False),
    ("open-time-expired", {"run_ms": None}, False, False),
    ("journal-failing", {"journal_ok": False}, False, True),
    ("journal-failing", {"journal_ok": True}, True, False),
    ("journal-failing", {}, True, False),
    ("link-down", {"link_ok": False}, False, True),
    ("link-down", {"link_ok": True}, True, False),
    ("link-down", {}, True, False),
    ("clock-untrusted", {"clock_ok": False}, False, True),
    ("clock-untrusted", {"clock_ok": True}, True, False),
    ("clock-untrusted", {}, True, False),
]  # fmt: skip
BY_ALARM = {cause.alarm: cause.condition for cause in CAUSES}


@pytest.mark.parametrize(("alarm", "so", "standing", "answer"), ROWS)
def test_condition_answers_so(alarm, so, standing, answer):
    """Asked of facts that are passed in, and of nothing else."""
    assert BY_ALARM[alarm](facts(**so), standing) is answer


def test_every_condition_is_asked_here():
    """No row of the table of causes without its edges."""
    assert {row[0] for row in ROWS} == set(BY_ALARM)
    assert all(condition.__module__ == conditions.__name__ for condition in BY_ALARM.values())
