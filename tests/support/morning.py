"""A short recorded morning of one bench, from 2026-03-02 08:00 UTC."""

from pathlib import Path

from shared import events
from shared.messages import Second
from shared.timeline import Moment, parse_rfc3339
from station.journal.ledger import BootClock, Ledger, Told

DAY_MS = parse_rfc3339("2026-03-02T08:00:00Z")


def told(at_s: float, *bodies: events.Event) -> Told:
    """Events at a time of the boot."""
    return Told(Moment("one", round(at_s * 1000)), bodies)


def second(at: int, plate_c: float | None) -> Second:
    """A second of record."""
    return Second(
        boot="one", second=at, plate_mean_c=plate_c, plate_min_c=plate_c, plate_max_c=plate_c,
        cold_junction_c=25.0, extraction_a=0.42, solvent_out=False,
        quality="open-circuit" if plate_c is None else "good", valid_ms=0 if plate_c is None else 1000,
    )  # fmt: skip


def record_morning(path: Path) -> None:
    """Record one unit delivered, one scrapped; a refusal, an alarm, a gap, a calibration."""
    ledger = Ledger(path)
    who = "T-4"
    plates = [None if 200 <= at < 210 else min(104.0, 25 + at) for at in range(600)]
    ledger.write(
        [
            BootClock("one", DAY_MS),
            told(0, events.StationStarted(station="bench-1", version="v", sheet="s")),
            told(1, events.UnitBookedIn(unit="U-1", model="oled", job="J-9"), events.UnitTaken(unit="U-1")),
            told(2, events.StepRefused(
                step="solder", unit="U-1", request="start", reasons=["extraction-not-proven"], technician=who
            )),
            told(5, events.UnitPlaced(unit="U-1"),
                 events.StepStarted(unit="U-1", step="frame-off", attempt=1, technician=who)),
            told(150, events.AlarmRaised(
                alarm="plate-high", priority="medium", unit="U-1", step="frame-off", values={"plate_c": 105.4}
            )),
            told(160, events.AlarmAcknowledged(alarm="plate-high", technician=who)),
            told(170, events.AlarmReturned(alarm="plate-high"), events.AlarmClosed(alarm="plate-high")),
            told(400, events.StepFinished(
                unit="U-1", step="frame-off", result="pass", findings={"grade": "A"}, technician=who
            )),
            told(401, events.UnitRemoved(unit="U-1")),
            told(410, events.ExtractionProven()),
            told(420, events.StepStarted(unit="U-1", step="solder", attempt=1, technician=who)),
            told(480, events.StepFinished(unit="U-1", step="solder", result="pass", technician=who)),
            told(490, events.SolventLifted(values={"ml": 0.5})),
            told(495, events.Calibrated(channel="plate", due="2027-03-02T00:00:00Z", technician="S-1")),
            told(500, events.UnitClosed(unit="U-1", outcome="delivered")),
            told(501, events.UnitBookedIn(unit="U-2", model="lcd"), events.UnitPlaced(unit="U-2")),
            told(560, events.UnitRemoved(unit="U-2"), events.UnitClosed(unit="U-2", outcome="scrapped")),
            *(second(at, plate_c) for at, plate_c in enumerate(plates)),
        ]
    )  # fmt: skip
    ledger.close()
