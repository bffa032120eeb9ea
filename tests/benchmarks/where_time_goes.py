"""Where the time goes: in a tick, and in the slowest of the questions to a record.

    python tests/benchmarks/where_time_goes.py [--record FILE --days N] [--json FILE]

A whole station ticks without a broker, its extraction sampled beside it as on a live bench, under cProfile;
then every question that `growth.py` asks a record is timed, and the slowest asked again under cProfile. What
it costs itself makes small functions look dearer than they are: the shares tell where to look, the times are
told without it.

What was improved by what this showed stands at the end, each done the old way and the new way in turn.
"""

import argparse
import cProfile
import pstats
import statistics
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

from campaign import keep, table
from growth import Record, StillClock, questions, second_at, took_s
from sqlalchemy import literal_column, select
from year import make_year

from dashboard.app import create_app
from dashboard.board import Board
from dashboard.chain_seen import SeenChain
from dashboard.review_view import period_of, review
from shared import database
from shared.database import reading_engine
from shared.history import History
from shared.plate_time import last_known_ms
from shared.proof import proof
from shared.records import Boot, HourRow, MinuteRow, ReadingRow
from shared.sheet import default_sheet
from station.bootstrap import simulated_station
from station.journal.ledger import Ledger
from station.journal.rollups import _replace, hours_of, minutes_of, roll_up
from station.rules.tick import Book
from station.settings import JournalSettings, Settings

TICKS = 5000
TOP = 12
ROOMS = (
    "station/rules",
    "station/drivers",
    "station/measurement",
    "station/simulation",
    "station/journal",
    "station/link",
    "station/",
    "shared/",
    "dashboard/",
    "sqlalchemy",
    "gpiozero",
    "msgspec",
)


class Shares:
    """Own time of functions and rooms, as shares of all."""

    def __init__(self, profile: cProfile.Profile) -> None:
        stats = pstats.Stats(profile).stats  # type: ignore[attr-defined]
        own = {where: entry[2] for where, entry in stats.items()}
        self.all_s = sum(own.values())
        self.functions = [
            (f"{_file(where[0])}{where[2]}", own_s / self.all_s)
            for where, own_s in sorted(own.items(), key=lambda item: -item[1])[:TOP]
        ]
        rooms: Counter[str] = Counter()
        for where, own_s in own.items():
            rooms[_room(where[0])] += own_s / self.all_s
        self.rooms = rooms.most_common()

    def shown(self) -> str:
        """Two tables."""
        rooms = table(
            [("room", "share"), *((room, f"{share:.0%}") for room, share in self.rooms if share > 0.005)]
        )
        functions = [("function", "own time"), *((name, f"{share:.1%}") for name, share in self.functions)]
        return f"{rooms}\n\n{table(functions)}"


def _file(name: str) -> str:
    return "" if name == "~" else "/".join(Path(name).parts[-2:]) + ": "


def _room(name: str) -> str:
    if name == "~":
        return "built in (C)"
    found = next((room for room in ROOMS if room in name), None)
    return found or "Python's library and others"


def ticks(folder: Path) -> tuple[float, Shares]:
    """Median seconds of a tick with journal, without the profiler; the shares under it."""
    settings = Settings(journal=JournalSettings(path=str(folder / "ticks.db")))
    book = Book(settings.limits, default_sheet())
    station, plant, clock = simulated_station(settings, book, linked=False)
    still = StillClock()
    still.boot = clock.boot
    station.daemon._clock = station.daemon._wiring._clock = still
    profile = cProfile.Profile()
    with station:
        plant.fan.start()
        time.sleep(0.3)  # for a window of the extraction
        took = []
        for number in range(2 * TICKS):
            still.at_ms += 100
            if number < TICKS:
                took.append(took_s(station.daemon.tick))
            else:
                profile.enable()
                station.daemon.tick()
                profile.disable()
    return statistics.median(took), Shares(profile)


def slowest(record: Record) -> tuple[list[tuple[str, float]], Shares]:
    """Seconds of every question, the slowest first; the shares of that one."""
    with History(record.path) as history:
        asked = questions(record, history)
        times = sorted(
            ((question.what, took_s(question.ours)) for question in asked), key=lambda each: -each[1]
        )
        worst = next(question for question in asked if question.what == times[0][0])
        profile = cProfile.Profile()
        profile.enable()
        worst.ours()
        profile.disable()
    return times, Shares(profile)


def in_turn(old: Callable[[], object], new: Callable[[], object], times: int = 21) -> tuple[float, float]:
    """Median seconds of the old and the new way."""
    old(), new()
    pairs = [(took_s(old), took_s(new)) for _ in range(times)]
    before_s, after_s = (statistics.median(side) for side in zip(*pairs, strict=True))
    return before_s, after_s


def improved(record: Record, folder: Path) -> dict[str, tuple[float, float]]:
    """Seconds before and after, of what was changed."""
    client = create_app(Board(), journal=record.path).test_client()

    def page() -> None:
        assert client.get(f"/units/{record.unit}").status_code == 200

    def page_as_before() -> None:
        database._reading.cache_clear()
        with History(record.path) as history:
            history.units()
            history.units()
        page()

    def spans_as_before() -> None:
        with reading_engine(record.path).connect() as connection:
            for (boot_id,) in connection.execute(select(Boot.id)).all():
                last_known_ms(connection, boot_id)

    def spans_now() -> None:
        with History(record.path) as history:
            history.spans()

    middle = period_of("", "", record.middle_ms, record.middle_ms)
    known = SeenChain()

    def review_as_before() -> None:
        with History(record.path) as history:
            told = list(history.told())
            ends = {span.boot: span.to_ms for span in history.spans()}
            proof(told, ["solder"], middle.from_ms, middle.to_ms, ends)
            history.verify()
        review_now()

    def review_now() -> None:
        with History(record.path) as history:
            review(history, middle, ["solder"], known)

    ledger = Ledger(folder / "rolled.db")
    ledger.write([second_at(at) for at in range(3600)])
    minutes = iter(range(10_000))

    def minute_as_before() -> None:
        minute = next(minutes)
        number, hour = literal_column(str(minute)), literal_column(str(minute // 60))
        seconds = minutes_of(ReadingRow.boot_id, number).where(
            ReadingRow.boot_id == 1, ReadingRow.second >= minute * 60, ReadingRow.second < minute * 60 + 60
        )
        within = hours_of(MinuteRow.boot_id, hour).where(
            MinuteRow.boot_id == 1,
            MinuteRow.number >= minute // 60 * 60,
            MinuteRow.number < minute // 60 * 60 + 60,
        )
        with ledger._engine.begin() as connection:
            _replace(connection, MinuteRow, seconds)
            _replace(connection, HourRow, within)

    def minute_now() -> None:
        with ledger._engine.begin() as connection:
            roll_up(connection, 1, [next(minutes) * 60])

    try:
        return {
            "a unit's page": in_turn(page_as_before, page),
            "a later review of a day": in_turn(review_as_before, review_now, 1),
            "when the station ran, boot by boot": in_turn(spans_as_before, spans_now, 1),
            "a new minute rolled up, with its hour": in_turn(minute_as_before, minute_now),
        }
    finally:
        ledger.close()


def main() -> None:
    """Profile, print and keep."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--record", type=Path, metavar="FILE", help="a record of growth.py")
    parser.add_argument("--days", type=int, default=30, help="how many it holds")
    parser.add_argument("--json", type=Path, metavar="FILE", help="keep the figures here")
    told = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="benchward-profile-", ignore_cleanup_errors=True) as name:
        folder = Path(name)
        path = told.record or folder / "record.db"
        if told.record is None:
            make_year(path, told.days, 5000 * told.days // 365)
        tick_s, tick = ticks(folder)
        print(f"A tick with its journal: {1e6 * tick_s:.0f} µs median.\n\n{tick.shown()}\n", flush=True)
        record = Record(path, told.days)
        times, worst = slowest(record)
        print(table([("question", "ms"), *((what, f"{1000 * s:.1f}") for what, s in times)]), end="\n\n")
        print(f"The slowest, {times[0][0]}:\n\n{worst.shown()}\n", flush=True)
        changed = improved(record, folder)
        record.close()
    rows = [(what, f"{1000 * old:.1f}", f"{1000 * new:.1f}") for what, (old, new) in changed.items()]
    print(table([("improved", "before, ms", "after, ms"), *rows]), end="\n\n")
    figures = {
        "tick_us": 1e6 * tick_s,
        "tick": {"rooms": tick.rooms, "functions": tick.functions},
        "questions_ms": {what: 1000 * s for what, s in times},
        "slowest": {"rooms": worst.rooms, "functions": worst.functions},
        "improved_ms": {what: [1000 * old, 1000 * new] for what, (old, new) in changed.items()},
    }
    print(keep("where-time-goes", figures, told.json))


if __name__ == "__main__":
    main()
