"""What a unit's page says of time in which no station ran."""

from pathlib import Path

import pytest

from dashboard.unit_view import UnitView, unit_view
from shared import events
from shared.history import History
from shared.messages import Second
from shared.timeline import Moment, rfc3339
from station.journal.ledger import Entry, Ledger, Told

STARTED = events.StationStarted(station="s", version="v", sheet="s")
WALL_MS = 1_772_440_000_000


def seconds(boot: str, first: int, end: int) -> list[Entry]:
    """A hot plate, second by second."""
    return [
        Second(
            boot=boot, second=at, plate_mean_c=100.0, plate_min_c=100.0, plate_max_c=100.0,
            cold_junction_c=25.0, extraction_a=0.4, solvent_out=False, quality="good", valid_ms=1000,
        )
        for at in range(first, end)
    ]  # fmt: skip


def view_of(path: Path, *offsets_ms: int) -> UnitView:
    """Five minutes on the plate in each of two boots; where given, the boots' offsets to wall time."""
    placed = (events.UnitBookedIn(unit="U", model="m"), events.UnitPlaced(unit="U"))
    ledger = Ledger(path)
    ledger.write([Told(Moment("one", 0), placed), *seconds("one", 0, 300)])
    ledger.write([
        Told(Moment("two", 0), (STARTED,)), *seconds("two", 0, 300),
        Told(Moment("two", 300_000), (events.UnitRemoved(unit="U"),)),
    ])  # fmt: skip
    for boot, offset_ms in zip(("one", "two"), offsets_ms, strict=False):
        wall = rfc3339(offset_ms + 9000) or ""
        ledger.write([Told(Moment(boot, 9000), (events.ClockSet(wall=wall),))])
    ledger.close()
    with History(path) as history:
        return unit_view(history.unit_record("U"))


@pytest.mark.parametrize(
    ("offsets_ms", "on_plate", "covered", "gap"),
    [
        ((WALL_MS, WALL_MS + 1_500_000), "30 min", "33.3%", "20 min 00 s without a reading"),
        ((WALL_MS,), "at least 10 min", "not known", "An unknown time without a reading"),
    ],
    ids=["dated", "undated"],
)
def test_page_tells_the_time_between_two_boots(tmp_path, offsets_ms, on_plate, covered, gap):
    """Twenty minutes without power are time on the plate of which nothing is known."""
    view = view_of(tmp_path / "bench.db", *offsets_ms)
    values = {line.name: line.value for line in view.figures}
    assert values["On the plate"].startswith(on_plate)
    assert values["Of that with a reading"] == covered
    assert values["Heat cycles"] == "1"
    assert [text[: len(gap)] for text in view.gaps] == [gap]
