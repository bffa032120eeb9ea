"""A boot judged again, from seconds of record and requests made by hand."""

from shared import events
from shared.messages import Second
from shared.requests import parse_text
from shared.sheet import default_sheet
from station.rejudge import judge
from station.rules.limits import Limits
from station.rules.state import Durable
from station.rules.tick import Book

STARTED = events.StationStarted(station="bench-1", version="test", sheet="test")
SOLDERING = [(8_000, parse_text("book-in unit=U-1 model=m")), (9_000, parse_text("start step=solder"))]


def second(at: int) -> Second:
    """A cold plate under a running fan."""
    return Second(
        boot="b", second=at, plate_mean_c=25.0, plate_min_c=25.0, plate_max_c=25.0, cold_junction_c=24.0,
        extraction_a=0.42, solvent_out=False, quality="good", valid_ms=1000,
    )  # fmt: skip


def judged(starts):
    """Twenty seconds of soldering, three without record, twenty more."""
    seconds = [second(at) for at in (*range(30), *range(33, 60))]
    book = Book(Limits(), default_sheet())
    return judge(book, Durable(), "b", STARTED, seconds, SOLDERING, starts=starts)


def test_a_start_within_the_boot_holds_the_step_and_raises_nothing():
    """The program was restarted while somebody soldered: the step is held by that, and no proof was lost."""
    found = judged([(33_000, STARTED)])
    assert dict(found.holds()) == {"station-restart": 1}
    assert dict(found.alarms()) == {}


def test_the_same_gap_without_a_start_is_a_lost_proof():
    """Nobody started anew: the station did not see the wires for three seconds while somebody soldered."""
    assert dict(judged([]).alarms()) == {"extraction-lost": 1}
