"""Minutes and hours: kept with the readings, written twice without harm, made anew, pruned around."""

import random
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, event

from shared import events
from shared.curve import curve
from shared.history import History
from shared.messages import Second
from shared.problems import FailureError, InputError
from shared.timeline import Moment
from station.cli import main
from station.journal.audit import audit
from station.journal.ledger import BootClock, Cursor, Ledger, Told
from station.journal.pruning import DAY_MS, believed_now_ms, prune
from station.journal.rolling import roll_up_anew

WALL_MS = 1_772_440_000_000 // 60_000 * 60_000
ROLLED = "SELECT * FROM {} ORDER BY boot_id, number"


def second(at: int, plate_c: float | None = 20.0, amps: float | None = 0.4, valid_ms: int = 1000) -> Second:
    """A second of record; the plate within a degree of its mean."""
    low_c, high_c = (None, None) if plate_c is None else (plate_c - 1, plate_c + 1)
    return Second(
        boot="b", second=at, plate_mean_c=plate_c, plate_min_c=low_c, plate_max_c=high_c,
        cold_junction_c=25.0, extraction_a=amps, solvent_out=False,
        quality="good" if plate_c is not None else "open-circuit",
        valid_ms=valid_ms if plate_c is not None else 0,
    )  # fmt: skip


def written(path: Path, *batches: list) -> Path:
    """A database with these batches, each a transaction."""
    ledger = Ledger(path)
    for batch in batches:
        ledger.write(batch)
    ledger.close()
    return path


def rolled(path: Path, table: str) -> list[tuple]:
    """The rows of a roll-up."""
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(ROLLED.format(table)).fetchall()


def test_a_minute_holds_extremes_mean_and_counts(tmp_path):
    """Worked by hand: 30 s at 20 °C, 20 s at 50 °C half known, 10 s without a reading."""
    rows = [second(at) for at in range(30)] + [second(at, 50.0, None, 500) for at in range(30, 50)]
    path = written(tmp_path / "b.db", [*rows, *(second(at, None) for at in range(50, 60))])
    ((_, number, seconds, valid_ms, cc_ms, low, high, amps_s, ma, out),) = rolled(path, "minutes")
    assert (number, seconds, valid_ms, out) == (0, 60, 40_000, 0)
    assert cc_ms / valid_ms / 100 == pytest.approx((30 * 20 + 20 * 0.5 * 50) / 40)
    assert (low, high, amps_s, ma) == (1900, 5100, 40, 16_000)
    assert [row[1:] for row in rolled(path, "hours")] == [row[1:] for row in rolled(path, "minutes")]


@settings(max_examples=20)
@given(
    seconds=st.lists(st.integers(0, 8000), min_size=1, max_size=120, unique=True),
    cuts=st.integers(1, 12),
    seed=st.integers(0, 99),
)
def test_rollups_do_not_depend_on_how_readings_were_batched(tmp_path_factory, seconds, cuts, seed):
    """In one batch, in many, out of order, some handed in twice: the same minutes and hours."""
    chance = random.Random(seed)
    plates, currents = [None, 20.0, 55.5, 101.25], [None, 0.4]
    rows = [second(at, chance.choice(plates), chance.choice(currents)) for at in sorted(seconds)]
    folder = tmp_path_factory.mktemp("rolled")
    whole = written(folder / "one.db", rows)
    parts = [rows[index::cuts] for index in range(cuts)]
    many = written(folder / "many.db", *(part for part in parts if part), rows[:5])
    for table in ("minutes", "hours"):
        assert rolled(whole, table) == rolled(many, table)
    roll_up_anew(many)
    for table in ("minutes", "hours"):
        assert rolled(whole, table) == rolled(many, table)


def test_hours_of_minutes_need_no_more_statements_than_the_first_hour(tmp_path):
    """SQLAlchemy keeps each statement it has made ready: one for every minute would fill the memory."""
    made: set[str] = set()

    def keep(_connection, _cursor, statement, *_more) -> None:
        made.add(statement)

    event.listen(Engine, "before_cursor_execute", keep)
    try:
        ledger = Ledger(tmp_path / "b.db")
        counts = []
        for hour in range(3):
            for minute in range(60):
                ledger.write([second(hour * 3600 + minute * 60)])
            counts.append(len(made))
        ledger.close()
    finally:
        event.remove(Engine, "before_cursor_execute", keep)
    assert counts[0] > 0
    assert counts == [counts[0]] * 3


def test_verify_finds_a_rollup_that_was_changed(tmp_path):
    """And making them anew puts it right."""
    path = written(tmp_path / "b.db", [second(at) for at in range(200)])
    audit(path)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("UPDATE minutes SET plate_max_cc = 1 WHERE number = 2")
        connection.commit()
    with pytest.raises(FailureError, match="minutes, boot 1, number 2"):
        audit(path)
    result = CliRunner().invoke(main, ["migrate", "--db", str(path), "--roll-up"])
    assert (result.exit_code, "minutes and hours of 1 boots made anew" in result.stdout) == (0, True)
    audit(path)


def on_plate(path: Path) -> Path:
    """Two hours of each of two days of one boot, a unit on the plate for ten minutes of the first."""
    unit = [
        BootClock("b", WALL_MS),
        Told(Moment("b", 0), (events.UnitBookedIn(unit="U", model="m"), events.UnitTaken(unit="U"))),
        Told(Moment("b", 3_600_000), (events.UnitPlaced(unit="U"),)),
        Told(Moment("b", 4_200_000), (events.UnitRemoved(unit="U"),)),
    ]
    return written(path, unit, [second(at) for at in (*range(7200), *range(86_400, 93_600))])


def test_pruning_keeps_units_events_and_rollups(tmp_path):
    """A day of seconds goes, but for the unit's ten minutes; minutes, hours and chain are as they were."""
    path = on_plate(tmp_path / "b.db")
    minutes, hours = rolled(path, "minutes"), rolled(path, "hours")
    now_ms = WALL_MS + 2 * DAY_MS
    planned = prune(path, now_ms, 1, dry_run=True)
    assert (planned.gone, planned.kept) == (7200 - 601, 601)
    assert prune(path, now_ms, 1)[:3] == planned[:3]
    with closing(sqlite3.connect(path)) as connection:
        left = connection.execute("SELECT count(*), min(second), max(second) FROM readings").fetchone()
    assert left == (7200 + 601, 3600, 93_599)
    assert (rolled(path, "minutes"), rolled(path, "hours")) == (minutes, hours)
    audit(path)
    roll_up_anew(path)
    assert (rolled(path, "minutes"), rolled(path, "hours")) == (minutes, hours)
    assert prune(path, now_ms, 1).gone == 0


def seconds_between(path: Path, first: int, last: int) -> int:
    """Seconds of record in a stretch."""
    with closing(sqlite3.connect(path)) as connection:
        query = "SELECT count(*) FROM readings WHERE second BETWEEN ? AND ?"
        return connection.execute(query, (first, last)).fetchone()[0]


def test_pruning_keeps_the_seconds_of_a_unit_that_still_lies_on_the_plate(tmp_path):
    """Placed days ago and never removed: its heat history still needs every one of them."""
    unit = [
        BootClock("b", WALL_MS),
        Told(Moment("b", 0), (events.UnitBookedIn(unit="U", model="m"), events.UnitTaken(unit="U"))),
        Told(Moment("b", 3_600_000), (events.UnitPlaced(unit="U"),)),
    ]
    path = written(tmp_path / "b.db", unit, [second(at) for at in range(7200)])
    assert prune(path, WALL_MS + 5 * DAY_MS, 1)[:2] == (3600, 3600)
    assert seconds_between(path, 3600, 7199) == 3600
    with History(path) as history:
        assert history.heat("U")["coverage"] == 1.0


@pytest.mark.parametrize(
    ("cursor", "gone", "unsent"),
    [
        (None, 7200 - 601, 0),
        (Cursor("link-readings", 0, 0), 0, 7200),
        (Cursor("link-readings", 59, 1), 60, 7140),
        (Cursor("link-readings", 118, 1), 60, 7081),
        (Cursor("link-readings", 119, 1), 120, 7080),
        (Cursor("link-readings", 90_000, 1), 7200 - 601, 0),
        (Cursor("link-readings", 3, 2), 7200 - 601, 0),
        (Cursor("link-events", 0), 7200 - 601, 0),
    ],
)
def test_pruning_leaves_what_the_broker_has_not_had(tmp_path, cursor, gone, unsent):
    """The link sends from its cursor on; by whole minutes, and a station without a broker has none."""
    path = on_plate(tmp_path / "b.db")
    if cursor is not None:
        ledger = Ledger(path)
        ledger.write([told_in("second"), cursor])
        ledger.close()
    now_ms = WALL_MS + 2 * DAY_MS
    planned = prune(path, now_ms, 1, dry_run=True)
    done = prune(path, now_ms, 1)
    assert (done.gone, done.unsent) == (planned.gone, planned.unsent) == (gone, unsent)
    assert prune(path, now_ms, 1, unsent_too=True).gone == 7200 - 601 - gone
    audit(path)


def told_in(boot: str) -> Told:
    """Anything in a boot."""
    return Told(Moment(boot, 0), (events.SolventLifted(),))


def test_prune_says_what_stays_for_the_broker(tmp_path):
    """In words, with what to do where the broker is gone for good."""
    path = on_plate(tmp_path / "b.db")
    ledger = Ledger(path)
    ledger.write([Cursor("link-readings", 0, 0)])
    ledger.close()
    kept = pruned(path, "--as-of", "2026-03-04")
    assert "7200 seconds stay because the broker has not had them yet; with --unsent-too" in kept.stdout
    assert seconds_left(path) == 14_400
    gone = pruned(path, "--as-of", "2026-03-04", "--unsent-too")
    assert gone.stdout.split()[0] == str(7200 - 601)


def test_pruning_leaves_what_has_no_date(tmp_path):
    """A boot whose clock was never set may be of yesterday."""
    path = written(tmp_path / "b.db", [second(at) for at in range(100)])
    assert prune(path, WALL_MS + 100 * DAY_MS, 1) == (0, 0, 100, "2026-06-09T08:26:00.000Z", 0)


def test_pruning_a_day_of_today_is_refused(tmp_path):
    """At least a day is kept."""
    with pytest.raises(InputError, match="at least 1 day"):
        prune(written(tmp_path / "b.db", [second(0)]), WALL_MS, 0)


def pruned(path: Path, *more: str, settings: str = ""):
    """What `benchward prune` says of a database, its settings in a file beside it."""
    file = path.with_name("settings.toml")
    file.write_text(settings)
    return CliRunner().invoke(
        main, ["--settings", str(file), "prune", "--db", str(path), "--older-than", "1", *more]
    )


def seconds_left(path: Path) -> int:
    """Seconds of record in a database."""
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute("SELECT count(*) FROM readings").fetchone()[0]


def test_prune_by_a_clock_that_was_never_set_is_refused(tmp_path):
    """The record may be minutes old, whatever the clock says; what is said instead is taken."""
    path = on_plate(tmp_path / "b.db")
    unset = f'[station]\nsync_file = "{tmp_path / "never"}"'
    refused = pruned(path, settings=unset)
    assert (refused.exit_code, "not known to have been set" in refused.stderr) == (1, True)
    assert seconds_left(path) == 14_400
    done = pruned(path, "--as-of", "2026-03-04", settings=unset)
    assert (done.exit_code, done.stdout.split()[0]) == (0, str(7200 - 601))


def test_prune_by_a_clock_that_the_record_contradicts_is_refused(tmp_path):
    """A record of 1 March and a clock of years later: both are told, and nothing goes."""
    path = on_plate(tmp_path / "b.db")
    trusted = '[station]\nclock = "trusted"'
    for more in ((), ("--dry-run",)):
        refused = pruned(path, *more, settings=trusted)
        assert refused.exit_code == 1
        assert "the newest record is of 2026-03-03T10:26:00.000Z" in refused.stderr
        assert "days before what the machine's clock says, 20" in refused.stderr
    assert seconds_left(path) == 14_400


@pytest.mark.parametrize(
    ("from_newest_ms", "why"),
    [
        (DAY_MS, None),
        (-DAY_MS, None),
        (DAY_MS + 1, "1.0 days before what"),
        (-DAY_MS - 1, "1.0 days after what"),
        (1826 * DAY_MS, "1826.0 days before what"),
    ],
)
def test_clock_within_a_day_of_the_newest_record_is_believed(tmp_path, from_newest_ms, why):
    """Both directions, to the millisecond."""
    path = on_plate(tmp_path / "b.db")
    now_ms = WALL_MS + 93_600_000 + from_newest_ms
    if why is None:
        assert believed_now_ms(path, now_ms) == now_ms
    else:
        with pytest.raises(FailureError, match=why):
            believed_now_ms(path, now_ms)


def test_replays_date_nothing(tmp_path):
    """The trace of years ago in a database says nothing about the clock."""
    path = on_plate(tmp_path / "b.db")
    ledger = Ledger(path)
    later = WALL_MS + 500 * DAY_MS
    ledger.write([BootClock("trace-1", later), Told(Moment("trace-1", 0), (events.SignedOut(),))])
    ledger.close()
    with pytest.raises(FailureError, match="newest record is of 2026-03-03"):
        believed_now_ms(path, later)


def test_a_writer_goes_on_while_old_seconds_are_pruned(tmp_path):
    """The station's connection writes between the pieces, and nothing of it is touched."""
    path = on_plate(tmp_path / "b.db")
    ledger = Ledger(path)
    seen = []

    def write(done: int, whole: int) -> None:
        ledger.write([second(93_600 + done)])
        seen.append(whole)

    prune(path, WALL_MS + 2 * DAY_MS, 1, progress=write)
    ledger.close()
    assert len(seen) == 12
    audit(path)


@pytest.mark.parametrize(("hours", "level_s"), [(1, 1), (24, 60), (24 * 30, 3600)])
def test_curve_keeps_peaks_and_means_at_every_width(tmp_path, hours, level_s):
    """Against the rows themselves: a spike of one second in a day is in the curve of a month."""
    path = tmp_path / "b.db"
    rows = [second(at, 20.0 + at % 7) for at in range(7200)]
    rows[4000] = second(4000, 140.0)
    if hours > 2:  # the record is as long as what is asked for, however sparse
        rows.append(second(hours * 3600 - 60, 30.0))
    written(path, [BootClock("b", WALL_MS)], rows)
    points = curve(path, WALL_MS, WALL_MS + hours * 3_600_000, points=50)
    inside = rows if hours > 2 else rows[:3600]
    assert max(point.max_c for point in points) == max(row.plate_max_c for row in inside)
    assert min(point.min_c for point in points) == min(row.plate_min_c for row in inside)
    weight = sum(point.valid * point.width_ms for point in points)
    mean = sum(point.mean_c * point.valid * point.width_ms for point in points) / weight
    if hours == 1:
        assert mean == pytest.approx(sum(row.plate_mean_c for row in inside) / len(inside), abs=1e-3)
    assert all(point.width_ms % (level_s * 1000) == 0 for point in points)
    assert len(points) <= 51


def test_curve_of_a_short_record_is_not_drawn_coarsely_in_a_long_window(tmp_path):
    """A first half hour looked at in a month: minutes, not one point."""
    path = written(tmp_path / "b.db", [BootClock("b", WALL_MS)], [second(at) for at in range(1800)])
    assert len(curve(path, WALL_MS - DAY_MS, WALL_MS + 30 * DAY_MS)) >= 30


def test_curve_leaves_gaps_out(tmp_path):
    """Two stretches with an hour between them: nothing is drawn there."""
    rows = [second(at) for at in range(600)] + [second(at) for at in range(4200, 4800)]
    path = written(tmp_path / "b.db", [BootClock("b", WALL_MS)], rows)
    points = curve(path, WALL_MS, WALL_MS + 2 * 3_600_000, points=120)
    times = [(point.at_ms - WALL_MS) // 60_000 for point in points]
    assert times == [*range(10), *range(70, 80)]
