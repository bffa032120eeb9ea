"""A station's database asked: counts, filters, units, heat, and whether it is whole.

Each test writes a real file through the ledger and reads it back; tampering goes through the sqlite3 module.
"""

import re
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event

from shared import events
from shared.chain import ZERO
from shared.database import reading_engine
from shared.history import History
from shared.messages import Second
from shared.problems import FailureError, InputError
from shared.stored import Filter, Place
from shared.timeline import Moment
from station.journal.ledger import BootClock, Cursor, Entry, Ledger, Told

WALL_MS = 1_772_440_200_000
COPIED = "boot_id, mono_ms, kind, unit, body, prev, hash"


def told(mono_ms: int, *bodies: events.EventBody, boot: str = "one") -> Told:
    """Events at a moment of a boot."""
    return Told(Moment(boot, mono_ms), bodies)


def started(mono_ms: int = 0, boot: str = "one", reason: str | None = None) -> Told:
    """The station's start."""
    return told(
        mono_ms, events.StationStarted(station="s", version="0", sheet="s 1", reason=reason), boot=boot
    )


def second(at: int, plate_c: float | None, boot: str = "one", valid: int = 10) -> Second:
    """A second of record."""
    number = {"plate_mean_c": plate_c, "plate_min_c": plate_c, "plate_max_c": plate_c}
    return Second(
        boot=boot,
        second=at,
        cold_junction_c=25.0,
        extraction_a=0.42,
        solvent_out=False,
        quality="good" if plate_c is not None else "open-circuit",
        valid_ms=100 * valid if plate_c is not None else 0,
        **number,
    )


def seconds(first: int, last: int, plate_c: float | None, boot: str = "one") -> list[Second]:
    """Seconds of record at one temperature."""
    return [second(at, plate_c, boot) for at in range(first, last)]


Written = Callable[..., History]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Where the database of a test is."""
    return tmp_path / "bench.db"


@pytest.fixture
def written(path: Path) -> Iterator[Written]:
    """Writes entries and opens the database for reading."""
    opened: list[History] = []

    def write(*batch: Entry) -> History:
        ledger = Ledger(path)
        try:
            ledger.write(batch)
        finally:
            ledger.close()
        opened.append(History(path))
        return opened[-1]

    yield write
    for history in opened:
        history.close()


DAY: list[Entry] = [
    started(),
    told(1000, events.SignedIn(technician="T-1")),
    told(2000, events.UnitBookedIn(unit="A", model="m", job="J"), events.UnitTaken(unit="A")),
    told(3000, events.StepStarted(unit="A", step="intake", attempt=1)),
    told(4000, events.StepFinished(unit="A", step="intake", result="pass")),
    told(5000, events.UnitPlaced(unit="A")),
    told(6000, events.StepStarted(unit="A", step="frame-off", attempt=1)),
    told(7000, events.AlarmRaised(alarm="plate-high", priority="medium", unit="A")),
    told(15000, events.StepAbandoned(unit="A", step="frame-off", reason="cracked")),
    told(16000, events.UnitBookedIn(unit="B", model="n"), events.UnitTaken(unit="B")),
    told(17000, events.StepStarted(unit="B", step="intake", attempt=1)),
    told(18000, events.UnitRemoved(unit="A")),
    told(19000, events.UnitClosed(unit="A", outcome="scrapped")),
    *seconds(0, 20, 80.0),
]


def test_counts_tell_readings_events_alarms_and_units_when_asked(written: Written) -> None:
    """Each count is that of what was written."""
    assert written(*DAY).counts() == {"readings": 20, "events": 15, "alarms": 1, "units": 2}


def test_units_are_listed_with_their_steps_when_asked(written: Written) -> None:
    """Units in order of booking in, each with its steps in order and their results."""
    assert written(*DAY).units() == [
        {
            "unit": "A", "model": "m", "job": "J", "booked_in": None, "outcome": "scrapped",
            "steps": [{"step": "intake", "result": "pass"}, {"step": "frame-off", "result": "abandoned"}],
        },
        {
            "unit": "B", "model": "n", "job": None, "booked_in": None, "outcome": "open",
            "steps": [{"step": "intake", "result": "running"}],
        },
    ]  # fmt: skip


def test_units_keep_their_stays_apart_when_a_unit_comes_back(written: Written) -> None:
    """A unit that was closed and booked in again has two stays, each with its own steps."""
    again = [
        told(30000, events.UnitBookedIn(unit="A", model="m")),
        told(31000, events.StepStarted(unit="A", step="intake", attempt=1)),
    ]
    stays = [unit for unit in written(*DAY, *again).units() if unit["unit"] == "A"]
    assert [(stay["outcome"], len(stay["steps"])) for stay in stays] == [("scrapped", 2), ("open", 1)]


@pytest.mark.parametrize(
    ("which", "seqs"),
    [
        (Filter(), list(range(1, 16))),
        (Filter(kind="step-started"), [5, 8, 13]),
        (Filter(unit="B"), [11, 12, 13]),
        (Filter(kind="step-started", unit="A"), [5, 8]),
        (Filter(from_ms=WALL_MS + 16000), [11, 12, 13, 14, 15]),
        (Filter(to_ms=WALL_MS + 2000), [1, 2]),
        (Filter(from_ms=WALL_MS + 2000, to_ms=WALL_MS + 4000), [3, 4, 5]),
        (Filter(kind="calibrated"), []),
    ],
)
def test_events_are_those_that_fit_when_filtered(written: Written, which: Filter, seqs: list[int]) -> None:
    """Kind, unit and time each leave out what does not fit; the end is not included."""
    history = written(BootClock("one", WALL_MS), *DAY)
    assert [dated.record.seq for dated in history.events(which=which)] == seqs


def test_events_without_wall_time_fit_no_times_when_filtered(written: Written) -> None:
    """What cannot be dated is in no stretch of wall time, and has no date."""
    history = written(*DAY)
    assert list(history.events(which=Filter(from_ms=0))) == []
    assert {dated.wall_ms for dated in history.events()} == {None}


def test_events_are_dated_afterwards_when_the_offset_is_learned(written: Written) -> None:
    """An offset learned late dates the boot's earlier events, and breaks no chain."""
    history = written(*DAY, BootClock("one", WALL_MS))
    assert [dated.wall_ms for dated in history.events()][:3] == [WALL_MS, WALL_MS + 1000, WALL_MS + 2000]
    assert history.verify().problem is None


def test_pages_follow_each_other_when_a_limit_is_set(written: Written) -> None:
    """A page begins beyond the seq named and holds at most so many."""
    history = written(*DAY)
    pages = [[dated.record.seq for dated in history.event_page(after, 6)] for after in (0, 6, 12, 18)]
    assert pages == [[1, 2, 3, 4, 5, 6], [7, 8, 9, 10, 11, 12], [13, 14, 15], []]


def test_events_come_back_as_they_were_written_when_read(written: Written, path: Path) -> None:
    """Bodies, moments and hashes are those that the ledger returned."""
    ledger = Ledger(path)
    records = ledger.write(DAY)
    ledger.close()
    assert [dated.record for dated in written().events()] == records


def test_seconds_come_back_as_they_were_written_when_read(written: Written) -> None:
    """A second is stored in hundredths and milliamperes, and comes back as the same numbers."""
    record = Second(
        boot="one", second=3, plate_mean_c=99.87, plate_min_c=99.5, plate_max_c=100.25, cold_junction_c=24.81,
        extraction_a=0.425, solvent_out=True, quality="good", valid_ms=900,
    )  # fmt: skip
    found = written(record, BootClock("one", WALL_MS)).seconds_page(Place(0, -1), 10)
    assert [(dated.second, dated.wall_ms) for dated in found] == [(record, WALL_MS + 3000)]


def test_second_without_a_number_comes_back_without_one_when_read(written: Written) -> None:
    """A fault is stored as no number with its quality, never as nought."""
    found = written(second(3, None)).seconds_page(Place(0, -1), 10)[0].second
    assert (found.plate_mean_c, found.plate_max_c, found.quality) == (None, None, "open-circuit")


def test_seconds_are_paged_across_boots_when_read(written: Written) -> None:
    """Seconds go on with the next boot's, beyond the place named."""
    history = written(*seconds(5, 8, 20.0, "one"), *seconds(0, 2, 20.0, "two"))
    first = history.seconds_page(Place(0, -1), 3)
    rest = history.seconds_page(first[-1].place, 3)
    assert [(at.second.boot, at.second.second) for at in [*first, *rest]] == [
        ("one", 5), ("one", 6), ("one", 7), ("two", 0), ("two", 1),
    ]  # fmt: skip


def test_cursor_is_at_the_beginning_until_moved_when_asked(written: Written) -> None:
    """A follower that never was here begins at the beginning; later at its last place."""
    assert written().cursor("link-events") == Place(0, -1)
    history = written(
        *DAY, Cursor("link-events", 5), Cursor("link-readings", 9, 1), Cursor("link-readings", 12, 1)
    )
    assert (history.cursor("link-events"), history.cursor("link-readings")) == (Place(0, 5), Place(1, 12))


# ---- heat


def test_heat_is_that_of_the_placement_when_the_unit_was_hand_made(written: Written) -> None:
    """Unit A lay at 80 °C from 5 s to 18 s; its step ran from 6 s to 15 s."""
    found = written(*DAY).heat("A")
    assert found["intervals"] == [{"boot": "one", "from_s": 5.0, "to_s": 18.0}]
    assert (found["duration_s"], found["coverage"], found["peak_c"]) == (13.0, 1.0, 80.0)
    assert (found["mean_c"], found["mean_kinetic_c"]) == (80.0, 80.0)
    assert found["time_above_s"] == {"60": 13.0, "80": 13.0, "100": 0.0, "110": 0.0}
    assert {key: step["duration_s"] for key, step in found["by_step"].items()} == {"frame-off": 9.0}


def test_heat_has_no_interval_when_the_unit_never_lay_on_the_plate(written: Written) -> None:
    """Unit B is known and was never heated."""
    found = written(*DAY).heat("B")
    assert (found["unit"], found["intervals"], found["peak_c"]) == ("B", [], None)


def test_heat_is_refused_naming_file_and_unit_when_the_unit_is_unknown(written: Written, path: Path) -> None:
    """An unknown unit is wrong input, not an empty history."""
    with pytest.raises(InputError, match=re.escape(f"{path}: unit is 'Z'")):
        written(*DAY).heat("Z")


def test_heat_goes_up_to_the_last_record_when_the_unit_still_lies_there(written: Written) -> None:
    """An open placement ends where the record ends, by a second or by an event, whichever is later."""
    placed = [told(2000, events.UnitBookedIn(unit="A", model="m"), events.UnitPlaced(unit="A"))]
    assert written(*placed, *seconds(0, 20, 90.0)).heat("A")["duration_s"] == 18.0
    assert written(told(30500, events.SolventLifted())).heat("A")["duration_s"] == 28.5


def test_heat_keeps_the_gap_when_the_sensor_was_open(written: Written) -> None:
    """Seconds without a number are a gap in the unit's history."""
    batch = [
        told(0, events.UnitBookedIn(unit="A", model="m"), events.UnitPlaced(unit="A")),
        *seconds(0, 10, 100.0),
        *seconds(10, 16, None),
        *seconds(16, 20, 100.0),
        told(20000, events.UnitRemoved(unit="A")),
    ]
    found = written(*batch).heat("A")
    assert (found["coverage"], found["time_above_s"]["100"]) == (0.7, 14.0)
    assert found["gaps"] == [{"boot": "one", "from_s": 10.0, "to_s": 16.0}]


def test_placement_goes_on_in_the_new_boot_when_the_station_restarts(written: Written) -> None:
    """A unit that lay there when the power went has one interval in each boot, and a gap between.

    Neither boot has a date: how long the gap was is not known, and so the coverage is not either.
    """
    written(
        started(),
        told(2000, events.UnitBookedIn(unit="A", model="m"), events.UnitPlaced(unit="A")),
        *seconds(0, 10, 100.0),
    )
    found = written(
        started(500, "two"),
        *seconds(0, 6, 60.0, "two"),
        told(5500, events.UnitRemoved(unit="A"), boot="two"),
    ).heat("A")
    assert found["intervals"] == [
        {"boot": "one", "from_s": 2.0, "to_s": 10.0},
        {"boot": "two", "from_s": 0.5, "to_s": 5.5},
    ]
    assert (found["duration_s"], found["coverage"], found["time_above_s"]["100"]) == (13.0, None, 8.0)
    assert found["unseen"] == [
        {"boot": "one", "from_s": 10.0, "next_boot": "two", "next_from_s": 0.5, "length_s": None}
    ]


def test_placement_ends_with_its_boot_when_a_replay_follows(written: Written) -> None:
    """A replay begins with a bench of its own: nothing lies on its plate."""
    written(
        told(2000, events.UnitBookedIn(unit="A", model="m"), events.UnitPlaced(unit="A")),
        *seconds(0, 10, 100.0),
    )
    found = written(started(0, "trace-2", "replay"), *seconds(0, 10, 100.0, "trace-2")).heat("A")
    assert found["intervals"] == [{"boot": "one", "from_s": 2.0, "to_s": 10.0}]


def test_step_goes_on_in_the_next_boot_when_a_restart_cut_it(written: Written) -> None:
    """The heat of both boots belongs to the step."""
    written(
        told(0, events.UnitBookedIn(unit="A", model="m"), events.UnitPlaced(unit="A")),
        told(1000, events.StepStarted(unit="A", step="strip", attempt=1)),
        *seconds(0, 10, 100.0),
    )
    found = written(
        started(0, "two"),
        *seconds(0, 5, 60.0, "two"),
        told(5000, events.StepFinished(unit="A", step="strip", result="pass"), boot="two"),
    ).heat("A")
    assert found["by_step"]["strip"]["duration_s"] == 14.0


def test_coverage_is_at_most_one_when_the_unit_is_put_back_within_the_second(written: Written) -> None:
    """Lifting a unit off for a moment and laying it back counts no second twice."""
    found = written(
        told(0, events.UnitBookedIn(unit="A", model="m"), events.UnitPlaced(unit="A")),
        told(10300, events.UnitRemoved(unit="A")),
        told(10600, events.UnitPlaced(unit="A")),
        told(20000, events.UnitRemoved(unit="A")),
        *seconds(0, 21, 100.0),
    ).heat("A")
    assert (found["duration_s"], found["coverage"]) == (19.7, 1.0)
    assert found["time_above_s"]["100"] == pytest.approx(19.7, abs=0.1)


# ---- whole or not


def tampered(path: Path, *statements: str) -> None:
    """Change the file behind the station's back."""
    connection = sqlite3.connect(path)
    try:
        for statement in statements:
            connection.execute(statement)
        connection.commit()
    finally:
        connection.close()


def swapped(first: int, second_seq: int) -> list[str]:
    """Statements that let two events change places."""
    return [
        f"UPDATE events SET seq = 999 WHERE seq = {first}",
        f"UPDATE events SET seq = {first} WHERE seq = {second_seq}",
        f"UPDATE events SET seq = {second_seq} WHERE seq = 999",
    ]


def test_verify_finds_nothing_when_the_database_is_as_written(written: Written) -> None:
    """An untouched database is whole, and its head is the last event's hash."""
    history = written(*DAY)
    last = list(history.events())[-1].record
    found = history.verify()
    assert (found.problem, found.count, found.head) == (None, 15, last.hash)


def test_verify_finds_nothing_when_the_database_is_empty(written: Written) -> None:
    """A new station's chain is whole."""
    assert (written().verify().problem, written().verify().head) == (None, ZERO)


@pytest.mark.parametrize(
    ("statements", "seq"),
    [
        (["UPDATE events SET body = replace(body, 'T-1', 'T-2') WHERE seq = 2"], 2),
        (["UPDATE events SET kind = 'signed-out' WHERE seq = 2"], 2),
        (["UPDATE events SET unit = 'B' WHERE seq = 5"], 5),
        (["UPDATE events SET unit = NULL WHERE seq = 5"], 5),
        (["UPDATE events SET unit = 'B' WHERE seq = 2"], 2),
        (["UPDATE events SET mono_ms = mono_ms + 1 WHERE seq = 7"], 7),
        (["UPDATE events SET hash = prev WHERE seq = 7"], 7),
        (["UPDATE events SET prev = hash WHERE seq = 7"], 7),
        (["UPDATE boots SET boot = 'other'"], 1),
        (["DELETE FROM events WHERE seq = 1"], 2),
        (["DELETE FROM events WHERE seq = 7"], 8),
        (["DELETE FROM events WHERE seq < 7"], 7),
        (["DELETE FROM events WHERE seq = 7", "UPDATE events SET seq = seq - 1 WHERE seq > 7"], 7),
        (["DELETE FROM boots"], None),
        (swapped(6, 7), 6),
        (["INSERT INTO events SELECT 16, " + COPIED + " FROM events WHERE seq = 15"], 16),
    ],
)  # fmt: skip
def test_verify_names_the_seq_when_a_row_was_edited_removed_or_moved(
    written: Written, path: Path, statements: list[str], seq: int | None
) -> None:
    """Whatever was done to the file, the first event that does not fit is named; or none is left to fit."""
    written(*DAY)
    tampered(path, *statements)
    found = written_anew(path)
    assert found.seq == seq
    assert (found.problem is None) is (seq is None)
    assert seq is None or f"{seq}" in str(found.problem)
    assert seq is not None or found.count == 0


def written_anew(path: Path) -> Any:
    """The verdict on a file as it is now."""
    with History(path) as history:
        return history.verify()


@pytest.mark.parametrize(
    "value",
    ["'garbage'", "'[]'", '\'{"kind": "signed-in", "values": {"a": 99999999999999999999}}\'', "x'00ff'"],
)
def test_verify_names_the_seq_when_a_body_is_no_event_any_more(
    written: Written, path: Path, value: str
) -> None:
    """A body that cannot even be read is a broken chain at that seq, not a crash."""
    written(*DAY)
    tampered(path, f"UPDATE events SET body = {value} WHERE seq = 2")
    assert written_anew(path).seq == 2


def test_verify_fails_when_the_file_itself_is_damaged(written: Written, path: Path) -> None:
    """Pages overwritten with rubbish are a damaged file, named."""
    written(*DAY).close()
    tampered(path, "PRAGMA wal_checkpoint(TRUNCATE)")
    data = bytearray(path.read_bytes())
    page = int.from_bytes(data[16:18], "big")
    data[3 * page : 8 * page] = b"\x55" * (5 * page)
    path.write_bytes(data)
    with pytest.raises(FailureError, match=re.escape(f"{path}: the file is damaged")):
        written_anew(path)


def test_history_is_refused_when_the_file_is_no_database_of_a_station(tmp_path: Path) -> None:
    """A missing file, a text, a foreign database and one of another version are wrong input."""
    text, foreign, newer = tmp_path / "notes.txt", tmp_path / "foreign.db", tmp_path / "newer.db"
    text.write_text("not a database at all, but long enough to be read as one might be" * 20, "utf-8")
    tampered(foreign, "CREATE TABLE t (a)")
    tampered(newer, "PRAGMA user_version = 99")
    for path in (tmp_path / "none.db", tmp_path, text, foreign, newer):
        with pytest.raises(InputError, match=re.escape(str(path))):
            History(path)


def test_reading_engine_writes_nothing_when_told_to(written: Written, path: Path) -> None:
    """A reader's connection refuses to write."""
    written(*DAY)
    engine = reading_engine(path)
    with engine.connect() as connection, pytest.raises(Exception, match="readonly"):
        connection.exec_driver_sql("DELETE FROM readings")
    engine.dispose()
    assert written().counts()["readings"] == 20


def test_heat_is_judged_anew_by_another_trim(written: Written) -> None:
    """Made with gain 1.01 and offset -0.5, judged by 1 and 0: (101 + 0.5) / 1.01 °C (closed form)."""
    values: events.Values = {"gain": 1.01, "offset_c": -0.5}
    history = written(
        told(0, events.StationStarted(station="s", version="v", sheet="x", values=values)),
        told(0, events.UnitBookedIn(unit="A", model="m"), events.UnitPlaced(unit="A")),
        *seconds(0, 10, 101.0),
    )
    assert history.heat("A")["mean_c"] == 101.0
    assert history.heat("A", (1.0, 0.0))["mean_c"] == pytest.approx(101.5 / 1.01, abs=1e-3)
    assert history.heat("A", (1.01, -0.5))["mean_c"] == pytest.approx(101.0, abs=1e-3)


def test_a_file_has_one_engine_so_that_statements_are_made_ready_once(path: Path, written: Written) -> None:
    """Making them ready costs more than asking; a page opens the record anew for each visitor."""
    written(*DAY)
    engines = []
    for _ in range(2):
        with History(path) as history:
            assert history.counts()["readings"] == 20
            engines.append(history._engine)
    assert engines[0] is engines[1]


def test_file_put_in_the_place_of_another_is_read_anew(tmp_path: Path) -> None:
    """As after a restore: nothing of the first file is held on to."""
    for name in ("old", "new"):
        ledger = Ledger(tmp_path / f"{name}.db")
        ledger.write([Told(Moment(name, 0), (events.SignedOut(),))])
        ledger.close()
    path = tmp_path / "old.db"
    for boot in ("old", "new"):
        with History(path) as history:
            assert [record.boot for record, _ in history.events()] == [boot]
        if boot == "old":
            (tmp_path / "new.db").rename(path)


def test_as_many_may_read_at_once_as_want_to(path: Path, written: Written) -> None:
    """Forty connections of one engine, each open: no reader waits for another."""
    written(*DAY)
    engine = reading_engine(path)
    with ExitStack() as opened:
        for connection in [opened.enter_context(engine.connect()) for _ in range(40)]:
            assert connection.exec_driver_sql("SELECT count(*) FROM readings").scalar() == 20
    engine.dispose()


def test_when_the_station_ran_is_known_from_one_pass_over_the_events(tmp_path: Path) -> None:
    """Events are not found by their boot: a pass for each of a year's boots took many seconds."""
    ledger = Ledger(tmp_path / "b.db")
    for number in range(6):
        boot = f"boot-{number}"
        body = events.SignedOut()
        ledger.write([BootClock(boot, number * 100_000), Told(Moment(boot, 500), (body,))])
        ledger.write([Told(Moment(boot, 7_500), (body,))])
    ledger.close()
    asked: list[str] = []
    with History(tmp_path / "b.db") as history:

        def keep(_connection, _cursor, statement, *_more) -> None:
            asked.append(statement)

        event.listen(history._engine, "before_cursor_execute", keep)
        spans = history.spans(from_ms=2_000, to_ms=503_000)
        event.remove(history._engine, "before_cursor_execute", keep)
    assert sum("events" in statement for statement in asked) == 1
    assert [(span.boot, span.from_ms, span.to_ms) for span in spans] == [
        ("boot-0", 2_000, 7_500),
        *((f"boot-{number}", 500, 7_500) for number in range(1, 5)),
        ("boot-5", 500, 3_000),
    ]


def test_seconds_of_a_boot_tell_how_far_they_have_come(written: Written) -> None:
    """Page by page, of this boot alone; the last page, where the next boot begins, tells nothing more."""
    heard: list[tuple[int, int]] = []
    history = written(
        *seconds(0, 2500, 20.0, "one"), *seconds(0, 10, 20.0, "two"), started(0, "one"), started(0, "two")
    )
    given = list(history.seconds_of("one", lambda done, whole: heard.append((done, whole))))
    assert (len(given), heard) == (2500, [(1000, 2500), (2000, 2500)])
    heard.clear()
    assert len(list(history.seconds_of("two", lambda done, whole: heard.append((done, whole))))) == 10
    assert heard == [(10, 10)]
