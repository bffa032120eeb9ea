"""The heat history kept of a closed unit: when it is made, when it stands, and that verify knows it."""

import sqlite3
from contextlib import closing
from pathlib import Path

import msgspec
import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from shared import closed_heat, events, heat
from shared.database import reading_engine
from shared.history import History
from shared.messages import Second
from shared.problems import FailureError
from shared.timeline import Moment, rfc3339
from station.cli import main
from station.journal import heats
from station.journal.audit import audit
from station.journal.ledger import BootClock, Entry, Ledger, Told
from station.journal.writer import Journal

UNIT = "DP-1"


def told(at_s: float, *bodies: events.EventBody, boot: str = "b") -> Told:
    """Events of a moment."""
    return Told(Moment(boot, round(at_s * 1000)), bodies)


def second(at: int, plate_c: float | None = 90.0, boot: str = "b", valid_ms: int = 1000) -> Second:
    """A second of record."""
    return Second(
        boot=boot, second=at, plate_mean_c=plate_c, plate_min_c=plate_c, plate_max_c=plate_c,
        cold_junction_c=25.0, extraction_a=0.4, solvent_out=False,
        quality="open-circuit" if plate_c is None else "good", valid_ms=0 if plate_c is None else valid_ms,
    )  # fmt: skip


def work(begin_s: float = 10.0, end_s: float = 100.5) -> list[Entry]:
    """A unit booked in, heated in a step on the plate, and closed."""
    return [
        told(begin_s, events.UnitBookedIn(unit=UNIT, model="oled")),
        told(begin_s, events.UnitPlaced(unit=UNIT)),
        told(begin_s + 5, events.StepStarted(unit=UNIT, step="strip", attempt=1)),
        told(end_s - 1, events.StepFinished(unit=UNIT, step="strip", result="pass")),
        told(end_s, events.UnitRemoved(unit=UNIT)),
        told(end_s + 0.3, events.UnitClosed(unit=UNIT, outcome="delivered")),
    ]


def added_up(path: Path, unit: str = UNIT) -> dict:
    """The history by the slow way, from the seconds."""
    engine = reading_engine(path)
    with engine.connect() as connection:
        found = closed_heat.from_record(connection, unit)
    engine.dispose()
    return msgspec.json.decode(msgspec.json.encode(found))


def kept(path: Path) -> list[str]:
    """What is kept, as text."""
    with closing(sqlite3.connect(path)) as connection:
        return [row[0] for row in connection.execute("SELECT body FROM closed_heat ORDER BY booked_seq")]


def change(path: Path, statement: str, *values: object) -> None:
    """Somebody edits the file."""
    with closing(sqlite3.connect(path)) as connection, connection:
        assert connection.execute(statement, values).rowcount == 1


@pytest.fixture
def path(tmp_path) -> Path:
    """A database with one closed unit, its heat kept."""
    file = tmp_path / "bench.db"
    ledger = Ledger(file)
    ledger.write([*work(), *(second(at, 20.0 + at) for at in range(102))])
    assert ledger.keep_heat()
    assert not ledger.keep_heat()
    ledger.close()
    return file


def test_kept_history_is_that_of_the_readings(path):
    """Every figure, and the pages and commands read the kept one."""
    with History(path) as history:
        assert history.heat(UNIT) == added_up(path)
        assert msgspec.json.decode(kept(path)[0]) == added_up(path)
        assert history.heat(UNIT)["duration_s"] == 90.5
    audit(path)


def test_nothing_is_kept_before_the_last_second_is_on_disk(tmp_path):
    """Events reach the disk at once, readings up to five seconds later."""
    path = tmp_path / "bench.db"
    ledger = Ledger(path)
    ledger.write([*work(), *(second(at) for at in range(100))])
    assert not ledger.keep_heat()
    ledger.write([second(100, valid_ms=700)])
    assert not ledger.keep_heat()
    with History(path) as history:
        assert history.heat(UNIT) == history.heat(UNIT, (1.0, 0.0))
    ledger.write([second(101)])
    assert ledger.keep_heat()
    ledger.close()
    assert msgspec.json.decode(kept(path)[0]) == added_up(path)


def test_nothing_is_kept_while_the_unit_lies_on_the_plate(tmp_path):
    """A unit closed while it lies there goes on gathering heat."""
    path = tmp_path / "bench.db"
    ledger = Ledger(path)
    bodies = work()
    ledger.write([*bodies[:4], bodies[5], *(second(at) for at in range(110))])
    assert not ledger.keep_heat()
    ledger.write([told(120, events.UnitRemoved(unit=UNIT)), *(second(at) for at in range(110, 123))])
    assert ledger.keep_heat()
    ledger.close()
    with History(path) as history:
        assert history.heat(UNIT)["duration_s"] == 110


def test_unit_that_comes_back_is_added_up_anew(path):
    """What was kept of the first stay is not the whole history any more, until the second is closed."""
    ledger = Ledger(path)
    ledger.write([*work(200, 300)[:-1], *(second(at, 80.0) for at in range(102, 305))])
    with History(path) as history:
        assert history.heat(UNIT)["duration_s"] == 190.5
    assert not ledger.keep_heat()
    audit(path)  # what was kept of the first stay is not used, and not held against anybody
    ledger.write([work(200, 300)[-1], second(305, 80.0)])
    assert ledger.keep_heat()
    ledger.close()
    assert len(kept(path)) == 1
    assert msgspec.json.decode(kept(path)[0]) == added_up(path)
    audit(path)


def test_unit_placed_after_its_close_is_added_up_anew(path):
    """The rules allow no such thing; a record that has it anyway is not told short."""
    ledger = Ledger(path)
    ledger.write([
        told(200, events.UnitPlaced(unit=UNIT)), told(250, events.UnitRemoved(unit=UNIT)),
        *(second(at) for at in range(102, 260)),
    ])  # fmt: skip
    ledger.close()
    with History(path) as history:
        assert history.heat(UNIT)["duration_s"] == 140.5


def test_old_boot_of_a_unit_is_complete_as_it_is(tmp_path):
    """The power went while the unit lay on the plate: no second of that boot can come."""
    path = tmp_path / "bench.db"
    ledger = Ledger(path)
    entries = work()
    ledger.write([*entries[:3], *(second(at) for at in range(60))])
    ledger.write([
        told(3, events.StationStarted(station="s", version="v", sheet="s"), boot="c"),
        told(40, *(body for entry in entries[3:] for body in entry.events), boot="c"),
        *(second(at, 70.0, "c") for at in range(42)),
    ])  # fmt: skip
    assert ledger.keep_heat()
    ledger.close()
    assert [at["boot"] for at in msgspec.json.decode(kept(path)[0])["intervals"]] == ["b", "c"]
    audit(path)


def test_unit_closed_before_the_end_is_caught_up_with_at_the_next_start(tmp_path):
    """Closed, and the station stopped before the last reading was on disk."""
    path = tmp_path / "bench.db"
    ledger = Ledger(path)
    ledger.write([*work(), *(second(at) for at in range(100))])
    ledger.close()
    ledger = Ledger(path)
    ledger.write([told(0, events.SignedIn(technician="T"), boot="c")])
    assert ledger.keep_heat()
    ledger.close()
    audit(path)


def test_station_keeps_it_by_itself(tmp_path):
    """Through the writer's own thread."""
    path = tmp_path / "bench.db"
    journal = Journal(path, 0.05)
    journal.start()
    for entry in work():
        assert isinstance(entry, Told)
        journal.tell(entry)
    for at in range(102):
        journal.add_second(second(at))
    assert journal.flush(15.0)
    assert journal.flush(15.0)
    assert journal.stop()
    assert msgspec.json.decode(kept(path)[0]) == added_up(path)


@pytest.mark.parametrize(
    ("statement", "value", "says"),
    [
        ("UPDATE readings SET plate_mean_cc = ? WHERE second = 90", 99_00, "mean_c is kept as"),
        ("UPDATE readings SET plate_max_cc = ? WHERE second = 90", 300_00, "peak_c is kept as 120.0"),
        ("UPDATE closed_heat SET body = replace(body, '120.0', ?)", "90.0", "peak_c is kept as 90.0"),
        ("UPDATE closed_heat SET body = ?", "{}", "it is kept as {}"),
        ("UPDATE closed_heat SET body = ?", "no JSON", "it is no heat history"),
    ],
)  # fmt: skip
def test_verify_tells_a_changed_reading_of_a_closed_unit_as_well_as_a_changed_history(
    path, statement, value, says
):
    """Readings are no part of the chain; those of closed units are held against what was kept."""
    change(path, statement, value)
    engine = reading_engine(path)
    with engine.connect() as connection, pytest.raises(FailureError, match=f"'DP-1'.*{says}"):
        heats.compare(connection, path)
    engine.dispose()
    with pytest.raises(FailureError, match=r"minutes, boot 1|closed_heat, unit 'DP-1'"):
        audit(path)


def test_migrate_makes_what_is_kept_anew(path):
    """After a look by a person; then verify is content."""
    change(path, "UPDATE closed_heat SET body = ?", "no JSON")
    with History(path) as history:
        assert history.heat(UNIT) == added_up(path)
    done = CliRunner().invoke(main, ["migrate", "--db", str(path), "--roll-up"])
    assert (done.exit_code, "the heat of 1 closed units" in done.stdout) == (0, True)
    assert msgspec.json.decode(kept(path)[0]) == added_up(path)
    audit(path)


def test_comparison_of_closed_units_takes_what_is_kept_and_reads_the_rest(path):
    """The same peak and time either way: kept to a tenth of a second, read by whole seconds."""
    with History(path) as history:
        (by_kept,) = history.closed_heat()
    change(path, "UPDATE closed_heat SET arithmetic = ?", heat.ARITHMETIC + 1)
    with History(path) as history:
        (by_seconds,) = history.closed_heat()
    assert by_kept.peak_c == by_seconds.peak_c
    assert by_kept.hot_min * 60 == pytest.approx(by_seconds.hot_min * 60, abs=1.0)
    assert by_kept._replace(hot_min=0) == by_seconds._replace(hot_min=0)
    change(path, "UPDATE closed_heat SET arithmetic = ?, body = '{}'", heat.ARITHMETIC)
    with History(path) as history:
        assert history.closed_heat() == [], "what is kept of it says nothing of a peak"


def test_figures_of_other_arithmetic_are_not_used(path):
    """A later version reckons otherwise: it adds up anew, and does not call the old figures a fault."""
    change(path, "UPDATE closed_heat SET arithmetic = ?, body = '{}'", heat.ARITHMETIC + 1)
    with History(path) as history:
        assert history.heat(UNIT) == added_up(path)
    audit(path)


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    plates=st.lists(st.none() | st.floats(-50, 400), min_size=1, max_size=90),
    begin_s=st.floats(0, 40),
    length_s=st.floats(0, 60),
    batches=st.lists(st.integers(1, 30), min_size=1, max_size=8),
)
def test_whatever_the_record_the_kept_history_is_that_of_its_readings(
    tmp_path_factory, plates, begin_s, length_s, batches
):
    """Gaps, wild plates, moments between seconds, readings in batches that fall behind the events."""
    path = tmp_path_factory.mktemp("kept") / "bench.db"
    ledger = Ledger(path)
    ledger.write(work(begin_s, begin_s + max(2.0, length_s)))
    found = [second(at, plate_c) for at, plate_c in enumerate(plates)]
    for size in batches:
        if found:
            ledger.write(found[:size])
            ledger.keep_heat()
            found = found[size:]
    ledger.write([*found, second(200)])
    ledger.keep_heat()
    ledger.close()
    assert msgspec.json.decode(kept(path)[0]) == added_up(path)
    with History(path) as history:
        assert history.heat(UNIT) == added_up(path)


STARTED = events.StationStarted(station="s", version="v", sheet="s")
BOOTED_WALL_MS = 1_780_000_000_000


def set_to(clock: BootClock) -> list[Entry]:
    """A boot's offset with the event that tells it, 50 s into the boot."""
    wall = rfc3339(clock.wall_offset_ms + 50_000)
    return [clock, told(50, events.ClockSet(wall=wall or ""), boot=clock.boot)]


def power_cut(path: Path, *clocks: BootClock) -> None:
    """Ten minutes hot on the plate, the station off, ten minutes hot in a new boot, closed and kept."""
    ledger = Ledger(path)
    entries = work(0.0)
    ledger.write([*entries[:3], *(second(at, 100.0) for at in range(600))])
    ledger.write([
        told(30, STARTED, boot="c"),
        *(second(at, 100.0, "c") for at in range(30, 631)),
        told(630, *(body for entry in entries[3:] for body in entry.events), boot="c"),
        *(second(at, 100.0, "c") for at in range(631, 640)),
        *(entry for clock in clocks for entry in set_to(clock)),
    ])  # fmt: skip
    while ledger.keep_heat():
        pass
    ledger.close()


def dates(away_s: int = 3600) -> tuple[BootClock, BootClock]:
    """Both boots dated, so that between the last second of one and the start of the other so much went by."""
    return BootClock("b", BOOTED_WALL_MS), BootClock("c", BOOTED_WALL_MS + (600 + away_s - 30) * 1000)


def test_time_between_two_boots_is_a_gap_of_known_length_when_both_have_a_date(tmp_path):
    """An hour without power on a hot plate counts as time on it and against the coverage."""
    path = tmp_path / "bench.db"
    power_cut(path, *dates())
    with History(path) as history:
        found = history.heat(UNIT)
    assert found["duration_s"] == 600 + 3600 + 600
    assert found["coverage"] == pytest.approx(1200 / 4800)
    assert found["gaps"] == [{"boot": "b", "from_s": 600.0, "to_s": 4200.0}]
    assert found["unseen"] == [
        {"boot": "b", "from_s": 600.0, "next_boot": "c", "next_from_s": 30.0, "length_s": 3600.0}
    ]
    assert found["time_above_s"]["80"] == 1200, "no reading of the hour is made up"
    assert found["heat_cycles"] == 1, "no reading says that it cooled"
    strip = found["by_step"]["strip"]
    assert (strip["duration_s"], strip["heat_cycles"]) == (595 + 3600 + 600, 0)
    assert [stretch["length_s"] for stretch in strip["unseen"]] == [3600.0]
    assert msgspec.json.decode(kept(path)[0]) == added_up(path)
    audit(path)
    text = CliRunner().invoke(main, ["heat", UNIT, "--db", str(path)]).stdout
    assert "1:20:00 h, 25.0% of it with a valid reading" in text
    assert "no station ran    1:00:00 h from 600.0 s of boot b to the start of c" in text
    assert "  no reading" not in text


def test_plate_that_was_cold_after_the_power_cut_counts_its_next_cycle(tmp_path):
    """Below 50 °C in the new boot: what comes up to 60 °C after that is a cycle of its own."""
    path = tmp_path / "bench.db"
    ledger = Ledger(path)
    ledger.write([*work(0.0)[:3], *(second(at, 100.0) for at in range(600))])
    ledger.write([
        told(30, STARTED, boot="c"),
        *(second(at, 30.0 if at < 300 else 100.0, "c") for at in range(30, 600)),
        told(600, events.UnitRemoved(unit=UNIT), boot="c"),
    ])  # fmt: skip
    ledger.close()
    with History(path) as history:
        assert history.heat(UNIT)["heat_cycles"] == 2


def test_unit_laid_on_the_plate_anew_comes_cold(tmp_path):
    """Taken off and put back: two cycles, and no unseen time between."""
    path = tmp_path / "bench.db"
    ledger = Ledger(path)
    ledger.write([*work(0, 100), *work(200, 300), *(second(at) for at in range(305))])
    ledger.close()
    with History(path) as history:
        found = history.heat(UNIT)
    assert (found["heat_cycles"], found["unseen"], found["coverage"]) == (2, [], 1.0)


@pytest.mark.parametrize("clocks", [(), dates()[:1], dates()[1:], dates(-60)])
def test_time_between_two_boots_is_of_unknown_length_when_the_dates_do_not_tell_it(tmp_path, clocks):
    """No date, one date, or a clock set back between: said so, and the coverage cannot be told."""
    path = tmp_path / "bench.db"
    power_cut(path, *clocks)
    with History(path) as history:
        found = history.heat(UNIT)
    assert (found["duration_s"], found["coverage"], found["gaps"]) == (1200, None, [])
    assert [stretch["length_s"] for stretch in found["unseen"]] == [None]
    assert found["peak_c"] == 100.0
    audit(path)
    text = CliRunner().invoke(main, ["heat", UNIT, "--db", str(path)]).stdout
    assert "20:00 min at least; how much longer is not known" in text
    assert "no station ran    an unknown time from 600.0 s of boot b" in text
    assert "peak, mean        100.0 °C" in text
    assert "in strip          19:55 min at least, peak 100.0 °C" in text
    assert "100.0%" not in text


def test_history_kept_before_the_clock_was_known_is_made_anew_with_it(tmp_path):
    """The offset comes after the unit was closed: what was kept would contradict the readings and dates."""
    path = tmp_path / "bench.db"
    power_cut(path, dates()[0])
    assert added_up(path)["coverage"] is None
    ledger = Ledger(path)
    ledger.write(set_to(dates()[1]))
    with History(path) as history:
        assert history.heat(UNIT)["coverage"] == 0.25, "nothing old is told before it is made anew"
    assert ledger.keep_heat()
    ledger.write(set_to(dates()[1]))
    assert not ledger.keep_heat(), "the same date again changes nothing"
    ledger.close()
    assert msgspec.json.decode(kept(path)[0])["coverage"] == 0.25
    audit(path)


def test_figures_of_older_arithmetic_are_made_anew_at_a_start(path):
    """What an earlier version kept is not used; the units closed last are caught up with."""
    change(path, "UPDATE closed_heat SET arithmetic = ?, body = '{}'", heat.ARITHMETIC - 1)
    ledger = Ledger(path)
    assert ledger.keep_heat()
    assert not ledger.keep_heat()
    ledger.close()
    assert msgspec.json.decode(kept(path)[0]) == added_up(path)
