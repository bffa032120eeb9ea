"""What a station takes up from its record at a start: budget, vapour, soak, when soldering ended."""

from collections.abc import Iterable, Sequence
from pathlib import Path

from shared.events import StepStarted
from shared.history import History
from shared.sheet import Sheet
from shared.stored import Filter
from shared.timeline import Moment, is_trace
from station.journal.kept_state import REMEMBERED_EVENTS
from station.rules.decide import Remembered
from station.rules.limits import SolventLimits
from station.rules.recall import Plate, Told, first_draw, recall, soldering_ended_ms
from station.rules.soak import recall_soak, soaking
from station.rules.state import Durable
from station.rules.tick import Book
from station.rules.vapour import VapourWatch

# Of closed units, which may be booked in again: how many where their heat was kept (at this temperature), and
# how many are read anew.
CLOSED_KEPT, KEPT_FROM_C, CLOSED_READ = 2000, 80.0, 50


def remembered(path: Path, durable: Durable, book: Book, now: Moment) -> Remembered:
    """All that the rules take up, from a station's database that can be read.

    Args:
        path: the database.
        durable: the fold of its events.
        book: limits and sheet.
        now: the moment of the start.
    """
    with History(path) as history:
        told = [found for found in history.last_told(REMEMBERED_EVENTS) if not is_trace(found[0].boot)]
        return Remembered(
            hot_ms=_hot_ms(history, durable.units, book.limits.plate.budget_c),
            vapour=_vapour(history, told, book.limits.solvent, now),
            soak_ms=_soak_ms(history, durable, book.sheet),
            solder_ended_ms=soldering_ended_ms(told, now.boot),
        )


def _hot_ms(history: History, units: Iterable[str], from_c: float) -> dict[str, int]:
    """How long units lay on the plate at or above a temperature: those at work, and those closed last."""
    kept = from_c == KEPT_FROM_C
    found: dict[str, int] = {}
    for stay in history.closed_heat(CLOSED_KEPT if kept else CLOSED_READ):
        hot_s = 60 * stay.hot_min if kept else history.hot_s(stay.unit, from_c)
        found.setdefault(stay.unit, round(1000 * hot_s))  # the newest stay is first, and has all placements
    return found | {unit: round(1000 * history.hot_s(unit, from_c)) for unit in units}


def _vapour(history: History, told: Sequence[Told], limits: SolventLimits, now: Moment) -> VapourWatch:
    """The estimate as the last hours give it."""
    first = first_draw(told, now)
    if first is None:
        return VapourWatch()
    plates = [
        Plate(second.boot, second.second * 1000, second.plate_mean_c)
        for second in history.seconds_from(first)
        if not is_trace(second.boot)
    ]
    return recall(told, plates, limits, now)


def _soak_ms(history: History, durable: Durable, sheet: Sheet) -> int:
    """The soak that the heat step in hand has had; 0 where no such step runs."""
    unit, run = durable.in_hand, durable.run
    step = None if run is None else sheet.find(run.step)
    if unit is None or run is None or step is None or step.kind != "heat":
        return 0
    told = [(moment, body) for _, moment, body in history.told(Filter(unit=unit))]
    begun = [at for at, (_, body) in enumerate(told) if isinstance(body, StepStarted)]
    stretches = soaking(told[begun[-1] :], unit, run) if begun else []
    if not stretches:
        return 0
    first = Moment(stretches[0].boot, stretches[0].from_ms)
    return recall_soak(stretches, history.seconds_from(first), step)
