"""A made-up stretch of work at one bench, as large as wanted: a database to measure on.

Every day is a boot of its own; units come and go, each with two heat steps and a solder step. Events go
through the ledger, as the station writes them; seconds of record are written in bulk, rolled up at the end.
"""

import math
import sqlite3
from contextlib import closing
from pathlib import Path

from shared import events
from shared.timeline import Moment
from station.journal.ledger import BootClock, Ledger, Told
from station.journal.rolling import keep_heat_anew, roll_up_anew

DAY_S = 86_400
START_MS = 1_767_225_600_000  # 2026-01-01T00:00:00Z
MODELS = ("6.1-inch-oled", "6.7-inch-oled", "5.4-inch-lcd")
HOT_S = 600


def make_year(path: Path, days: int = 365, units: int = 5000, *, thinned: bool = False) -> None:
    """Make the database; the same every time. Thinned, it holds no seconds but those of a unit's heat."""
    ledger = Ledger(path)
    per_day = [units * (day + 1) // days - units * day // days for day in range(days)]
    number = 0
    try:
        for day in range(days):
            boot = f"day-{day:03d}"
            batch = [BootClock(boot, START_MS + day * DAY_S * 1000)]
            batch.append(_told(boot, 0, events.StationStarted(station="bench-1", version="v", sheet="s")))
            for index in range(per_day[day]):
                begin_s = 600 + index * (DAY_S - 1200) // max(1, per_day[day])
                batch += _work(boot, begin_s, f"U-{number:05d}", MODELS[number % 3], failed=number % 9 == 0)
                number += 1
            batch.append(_told(boot, DAY_S - 1, events.StationStopped(reason="stopped")))
            ledger.write(batch)
    finally:
        ledger.close()
    with closing(sqlite3.connect(path)) as connection:
        boots = dict(connection.execute("SELECT boot, id FROM boots"))
        for day in range(days):
            with connection:
                connection.executemany(
                    "INSERT INTO readings VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                    _seconds(boots[f"day-{day:03d}"], day, per_day[day], thinned=thinned),
                )
    roll_up_anew(path)
    keep_heat_anew(path)


def _told(boot: str, at_s: float, *bodies: events.EventBody) -> Told:
    return Told(Moment(boot, round(at_s * 1000)), bodies)


def _work(boot: str, begin_s: int, unit: str, model: str, *, failed: bool) -> list[Told]:
    """One unit from intake to the end, in about forty minutes."""
    who, told = "T-1", []

    def add(at_s: float, *bodies: events.EventBody) -> None:
        told.append(_told(boot, begin_s + at_s, *bodies))

    add(0, events.UnitBookedIn(unit=unit, model=model, technician=who))
    add(0, events.UnitTaken(unit=unit, technician=who))
    for index, step in enumerate(("frame-off", "strip")):
        at_s = 10 + index * (HOT_S + 60)
        placed = events.UnitPlaced(unit=unit, technician=who)
        add(at_s, placed, events.StepStarted(unit=unit, step=step, attempt=1, technician=who))
        add(at_s + 120, events.PlateAtSetpoint(unit=unit, step=step, values={"plate_c": 100.0}))
        add(at_s + HOT_S, events.StepFinished(unit=unit, step=step, result="pass", technician=who))
        add(at_s + HOT_S + 1, events.UnitRemoved(unit=unit, technician=who))
    at_s = 2 * (HOT_S + 60) + 60
    add(at_s - 20, events.ExtractionProven(values={"extraction_a": 0.42}))
    add(at_s, events.StepStarted(unit=unit, step="solder", attempt=1, technician=who))
    alarm = "solvent-left-out"
    add(at_s + 90, events.AlarmRaised(alarm=alarm, priority="low", unit=unit))
    add(at_s + 100, events.AlarmAcknowledged(alarm=alarm, technician=who))
    add(at_s + 130, events.AlarmReturned(alarm=alarm), events.AlarmClosed(alarm=alarm))
    result = "fail" if failed else "pass"
    add(at_s + 200, events.StepFinished(unit=unit, step="solder", result=result, technician=who))
    add(at_s + 330, events.ExtractionLost(reason="low-current"))
    outcome = "scrapped" if failed else "delivered"
    add(at_s + 340, events.UnitClosed(unit=unit, outcome=outcome, technician=who))
    return told


def _seconds(boot_id: int, day: int, units: int, *, thinned: bool):
    """A day of seconds: warm while units lie on the plate, a slow swing otherwise."""
    starts = [600 + index * (DAY_S - 1200) // max(1, units) for index in range(units)]
    hot = bytearray(DAY_S)
    for start in starts:
        for heat in (10, 70 + HOT_S):
            begin = start + heat
            hot[begin : min(DAY_S, begin + HOT_S)] = b"\x01" * len(hot[begin : min(DAY_S, begin + HOT_S)])
    plate = 2500
    for second in range(DAY_S):
        wish = 10_000 if hot[second] else 2500
        plate += (wish - plate) // 40
        swing = plate + round(40 * math.sin(second / 50 + day))
        amps = 420 if hot[second] else 5
        if thinned and not hot[second]:
            continue
        yield boot_id, second, swing, swing - 12, swing + 12, 2600, amps, 0, 0, 1000
