"""What a start takes up from a database: the parts are tested with the rules, here that they are read."""

import pytest

from shared import events
from shared.sheet import default_sheet
from shared.timeline import Moment
from station.journal.ledger import Ledger, Told
from station.journal.remembered import remembered
from station.rules.limits import Limits
from station.rules.state import Durable
from station.rules.tick import Book

BOOK = Book(Limits(), default_sheet())
SOLDERED = (
    (1, events.ExtractionProven()),
    (2, events.StepStarted(unit="U-1", step="solder", attempt=1, work="solder")),
    (9, events.StepFinished(unit="U-1", step="solder", result="pass")),
)


@pytest.mark.parametrize(
    ("boot", "now", "ended_ms"),
    [
        pytest.param("b", Moment("b", 20_000), 9_000, id="the same boot goes on"),
        pytest.param("b", Moment("c", 20_000), None, id="another boot"),
        pytest.param("trace-b", Moment("trace-b", 20_000), None, id="a replay's bench was another"),
    ],
)
def test_a_start_knows_when_soldering_ended(tmp_path, boot, now, ended_ms):
    """From the events of its own boot."""
    path = tmp_path / "bench.db"
    ledger = Ledger(path)
    ledger.write([Told(Moment(boot, 0), (events.UnitBookedIn(unit="U-1", model="oled"),))])
    ledger.write([Told(Moment(boot, 1000 * at_s), (body,)) for at_s, body in SOLDERED])
    ledger.close()
    assert remembered(path, Durable(), BOOK, now).solder_ended_ms == ended_ms
