"""Recording one event from outside a running station, such as a calibration."""

from pathlib import Path

from sqlalchemy.exc import DBAPIError

from shared.events import ClockSet, EventBody, EventRecord
from shared.problems import FailureError
from shared.timeline import Moment, rfc3339
from station.clock import Clock
from station.journal.dating import STEP_MS
from station.journal.ledger import Ledger, Told


def record_now(path: Path, clock: Clock, body: EventBody) -> EventRecord:
    """Append an event to a journal that no station is writing, after one that dates the boot if none did.

    Raises:
        InputError: the file is no database of a station.
        FailureError: a station is writing it, or it cannot be written.
    """
    mono_ms, wall_ms = clock.mono_ms(), clock.wall_ms()
    now = Moment(clock.boot, mono_ms, wall_ms)
    try:
        ledger = Ledger(path)
        try:
            told = Told(now, (body,))
            if wall_ms is not None:
                known_ms = ledger.wall_offset_ms(clock.boot)
                if known_ms is None or abs(wall_ms - mono_ms - known_ms) > STEP_MS:
                    told = Told(now, (ClockSet(wall=rfc3339(wall_ms) or ""), body))
            return ledger.write([told])[-1]
        finally:
            ledger.close()
    except DBAPIError as error:
        raise FailureError(f"{path}: cannot be written: {error.orig}.") from error
