"""Recording one event from outside a running station, such as a calibration."""

from pathlib import Path

from sqlalchemy.exc import DBAPIError

from shared.events import EventBody, EventRecord
from shared.problems import FailureError
from shared.timeline import Moment
from station.clock import Clock
from station.journal.ledger import BootClock, Entry, Ledger, Told


def record_now(path: Path, clock: Clock, body: EventBody) -> EventRecord:
    """Append an event to a journal that no station is writing.

    Raises:
        InputError: the file is no database of a station.
        FailureError: a station is writing it, or it cannot be written.
    """
    mono_ms, wall_ms = clock.mono_ms(), clock.wall_ms()
    batch: list[Entry] = [Told(Moment(clock.boot, mono_ms, wall_ms), (body,))]
    if wall_ms is not None:
        batch.insert(0, BootClock(clock.boot, wall_ms - mono_ms))
    try:
        ledger = Ledger(path)
        try:
            return ledger.write(batch)[0]
        finally:
            ledger.close()
    except DBAPIError as error:
        raise FailureError(f"{path}: cannot be written: {error.orig}.") from error
